"""The rates of a programme: as given, or as observed with what the counts leave open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dhverify.design.budget_chances import Rate, Spread, counted_rate, known_rate, least_known, spread
from dhverify.design.budget_outcome import RateRow
from dhverify.design.budget_plans import Flow
from dhverify.design.budget_request import NEEDED_RATES, BudgetRequest, option
from dhverify.errors import Defect, InputError

GIVEN: Final = "given"
MATERIAL: Final = 0.1
"""Share of the D1 ears that may be of hybrids from which that is said (common practice, no source)."""
LEAST_DOUBLING: Final = 0.0005
"""A rate below it would be printed as 0, with which no line is possible."""


@dataclass(frozen=True, kw_only=True)
class ObservedProgramme:
    """What a results folder tells of a programme as a whole; None is not known there.

    Attributes
    ----------
    source
        The folder, for messages.
    putative
        Kernels sorted as haploid, of all kernels.
    true_share
        True haploids among what was sorted as haploid.
    ears
        D1 ears, of all seedlings treated.
    survival
        Survivors, of all seedlings treated.

    """

    source: str
    putative: Rate | None = None
    true_share: Rate | None = None
    ears: Rate | None = None
    survival: Rate | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class ProgrammeRates:
    """Rates that the plans rest on.

    Attributes
    ----------
    flow
        Expectations.
    line_of_kernel, line_of_sorted, line_of_seedling, line_of_plant
        A kernel, a kernel sorted as haploid, a treated haploid seedling, a surviving haploid plant becomes a line.
    least_known
        Name of the observed rate that is known least well; empty where all are known exactly.
    rows
        For people.
    notes, warnings
        Sentences for a person.

    """

    flow: Flow
    line_of_kernel: Spread
    line_of_sorted: Spread
    line_of_seedling: Spread
    line_of_plant: Spread
    least_known: str
    rows: tuple[RateRow, ...]
    notes: tuple[str, ...]
    warnings: tuple[str, ...]


def programme_rates(request: BudgetRequest, observed: ObservedProgramme | None = None) -> ProgrammeRates:
    """Put the rates of a programme together; what is given replaces what was observed.

    Observed ears are of all treated seedlings, and what is sorted as haploid is of all kernels, so that the share
    of true haploids cancels in lines per kernel. The ears contain survival, which is not multiplied again.

    Parameters
    ----------
    request
        With the rates that are given.
    observed
        From a results folder.

    Raises
    ------
    InputError
        Naming every rate that is neither given nor observed; or no line is possible.

    """
    seen = observed or ObservedProgramme(source="")
    _check_complete(request, seen, is_folder=observed is not None)
    return _Builder(request, seen).build()


class _Builder:
    """Chooses, for each rate, between what is given and what was observed."""

    def __init__(self, request: BudgetRequest, seen: ObservedProgramme) -> None:
        self.request, self.seen = request, seen
        self.notes: list[str] = []
        self.warnings: list[str] = []
        self.missed = request.rate("missed_haploid_rate") or 0.0
        self.sorted_above = self._sorted_haploids()
        self.survival = self._survival()
        self.ears_above, self.ears_below = self._ears()

    def build(self) -> ProgrammeRates:
        line = spread(*_cancelled((*self.sorted_above, *self.ears_above), self.ears_below))
        flow = self._flow(line)
        named = {"putative haploids": self.seen.putative, "true haploids among them": self.seen.true_share}
        named |= {"D1 ears": self.seen.ears, "survival": self.seen.survival}
        above, below = _cancelled((*self.sorted_above, *self.ears_above), self.ears_below)
        least = least_known((*above, *below))
        return ProgrammeRates(
            flow=flow,
            line_of_kernel=line,
            line_of_sorted=spread(*_cancelled((self._true_share(flow), *self.ears_above), self.ears_below)),
            line_of_seedling=spread(self.ears_above, self.ears_below),
            line_of_plant=spread(*self._doubling()),
            least_known=next((name for name, rate in named.items() if rate is least and least is not None), ""),
            rows=self._rows(flow),
            notes=tuple(self.notes),
            warnings=tuple(self.warnings),
        )

    # what a kernel, a seedling, a plant comes to

    def _sorted_haploids(self) -> tuple[Rate, ...]:
        """Haploids sorted as such, of a kernel, as a product."""
        request, seen = self.request, self.seen
        given = request.rate("induction_rate")
        if given is not None:
            if request.missed_haploid_rate is None:
                self.notes.append("No rate of missed haploids was given or counted: none are taken to be missed.")
            return (known_rate(given * (1 - self.missed)),)
        if self.missed:
            self.notes.append(
                "The observed induction rate is of haploids that were sorted as such: missed ones are left out of it"
                " already, so --missed-haploid-rate does not change the kernels needed."
            )
        return tuple(rate for rate in (seen.putative, seen.true_share) if rate is not None)

    def _survival(self) -> Rate:
        given = self.request.rate("survival")
        return known_rate(given) if given is not None else _present(self.seen.survival)

    def _ears(self) -> tuple[tuple[Rate, ...], tuple[Rate, ...]]:
        """D1 ears of a treated haploid seedling, as product and divisors."""
        given = self.request.rate("doubling")
        if given is not None:
            return (self.survival, known_rate(given)), ()
        ears, share = _present(self.seen.ears), _present(self.seen.true_share)
        observed = self.seen.survival
        if observed is not None and ears.mean / share.mean > observed.mean:
            self.warnings.append(
                "There are more D1 ears than surviving haploids, so ears of hybrids must be among them: every"
                " surviving haploid is taken to give seed, which is too good; give --doubling."
            )
            return (self.survival,), ()
        self._warn_of_hybrid_ears(ears.mean, share.mean)
        if self.request.survival is not None and observed is not None:
            self.notes.append(
                "Doubling success of the folder contains its own survival: it was changed in the ratio of the"
                " survival given to the one observed."
            )
            return (ears, self.survival), (share, observed)
        return (ears,), (share,)

    def _true_share(self, flow: Flow) -> Rate:
        """True haploids among what is sorted as haploid; observed only where both rates that make it are."""
        is_given = any(self.request.rate(name) is not None for name in ("induction_rate", "false_haploid_rate"))
        return known_rate(1 - flow.hybrid_share) if is_given else _present(self.seen.true_share)

    def _doubling(self) -> tuple[tuple[Rate, ...], tuple[Rate, ...]]:
        """D1 ears of a surviving haploid plant, as product and divisors."""
        return _cancelled(self.ears_above, (*self.ears_below, self.survival))

    def _warn_of_hybrid_ears(self, ears: float, share: float) -> None:
        """Say so where ears of hybrids may be counted as lines."""
        survival = self.survival.mean if self.seen.survival is None else self.seen.survival.mean
        of_hybrids = (1 - share) * survival
        if of_hybrids <= MATERIAL * ears:
            return
        least, now = max(ears - of_hybrids, 0.0) / share / survival, ears / share / survival
        advice = (
            f"give --doubling {least:.3f} (of surviving haploids; now {now:.3f})"
            if least >= LEAST_DOUBLING
            else f"give --doubling as counted on haploids (of surviving ones; now {now:.3f}, but every ear may be of a"
            f" hybrid)"
        )
        self.warnings.append(
            "Doubling success of the folder counts every D1 ear as a line. If the hybrids among the treated were not"
            f" weeded out before selfing, that is too good: {advice}."
        )

    # expectations

    def _flow(self, line: Spread) -> Flow:
        haploids = 1.0
        for rate in self.sorted_above:
            haploids *= rate.mean
        induction = min(haploids / (1 - self.missed), 1.0)
        survival = self.survival.mean
        hybrid_survival = self.request.rate("hybrid_survival")
        return Flow(
            induction_rate=induction,
            false_haploid_rate=self._false_haploid_rate(induction),
            missed_haploid_rate=self.missed,
            survival=survival,
            hybrid_survival=survival if hybrid_survival is None else hybrid_survival,
            doubling=line.mean / (haploids * survival),
            rogued=self.request.rate("rogued") or 0.0,
        )

    def _false_haploid_rate(self, induction: float) -> float:
        given = self.request.rate("false_haploid_rate")
        if given is not None:
            return given
        kept = _present(self.seen.putative).mean * (1 - _present(self.seen.true_share).mean)
        self.notes.append("Whatever was sorted as haploid and is none (not only hybrids) counts as a hybrid here.")
        return min(kept / (1 - induction), 1.0) if induction < 1 else 0.0

    # for people

    def _rows(self, flow: Flow) -> tuple[RateRow, ...]:
        rows = [self._row(name, getattr(flow, name)) for name in NEEDED_RATES]
        rows.append(_plain("hybrid_survival", flow.hybrid_survival, self.request, "as survival"))
        rows.append(_plain("rogued", flow.rogued, self.request, "not given: none"))
        return tuple(rows)

    def _row(self, name: str, value: float) -> RateRow:
        if self.request.rate(name) is not None:
            return RateRow(rate=name, value=value, low=None, high=None, source=GIVEN)
        if name == "missed_haploid_rate":
            return RateRow(rate=name, value=value, low=None, high=None, source="not known: none taken to be missed")
        low, high = self._interval(name)
        return RateRow(rate=name, value=value, low=low, high=high, source="observed")

    def _interval(self, name: str) -> tuple[float | None, float | None]:
        if name == "false_haploid_rate":
            return None, None
        if name == "survival":
            return self.survival.interval()
        above, below = (self.sorted_above, ()) if name == "induction_rate" else self._doubling()
        return spread(above, below).interval()


def _plain(name: str, value: float, request: BudgetRequest, otherwise: str) -> RateRow:
    source = otherwise if request.rate(name) is None else GIVEN
    return RateRow(rate=name, value=value, low=None, high=None, source=source)


def _cancelled(above: tuple[Rate, ...], below: tuple[Rate, ...]) -> tuple[tuple[Rate, ...], tuple[Rate, ...]]:
    """Leave out what stands above and below alike: it is one and the same unknown."""
    left_above, left_below = list(above), []
    for rate in below:
        same = next((place for place, other in enumerate(left_above) if other is rate), None)
        if same is None:
            left_below.append(rate)
        else:
            del left_above[same]
    return tuple(left_above), tuple(left_below)


def _check_complete(request: BudgetRequest, seen: ObservedProgramme, *, is_folder: bool) -> None:
    """Refuse a plan in which a rate is neither given nor observed, or no line is possible."""
    lacking = [name for name in NEEDED_RATES if request.rate(name) is None and not _is_observed(name, seen)]
    if lacking and is_folder:
        causes = {name: _cause(name, seen) for name in lacking}
        groups = {cause: [name for name in lacking if causes[name] == cause] for cause in causes.values()}
        raise InputError(seen.source, [_lack(names, cause) for cause, names in groups.items()])
    if lacking:
        raise InputError(
            "budget",
            [Defect(where=option(name), found="nothing", expected="a rate, or --from RESULTS") for name in lacking],
        )

    nothing = [name for name in NEEDED_RATES if request.rate(name) is None and _is_nothing(name, seen)]
    if nothing:
        expected = "more than 0: no line is possible, unless {} gives another rate"
        raise InputError(
            seen.source,
            [Defect(where=name, found="0", expected=expected.format(option(name))) for name in nothing],
        )


def _cause(name: str, seen: ObservedProgramme) -> str:
    """Say what a folder must hold for a rate that it lacks."""
    if name != "survival" and seen.putative is not None and seen.true_share is None:
        return "judged lines of stage haploid in the folder, which say how many of the sorted are true haploids"
    return "programme counts in the folder ('dhverify check' with --counts)"


def _lack(names: Sequence[str], expected: str) -> Defect:
    options = " ".join(option(name) for name in names)
    found = "no such rate" if len(names) == 1 else "no such rates"
    return Defect(where=", ".join(names), found=found, expected=f"{expected}, or {options}")


def _is_nothing(name: str, seen: ObservedProgramme) -> bool:
    """Whether a rate that must not be 0 was observed as 0."""
    made_of = {
        "induction_rate": (seen.putative, seen.true_share),
        "survival": (seen.survival,),
        "doubling": (seen.ears,),
    }
    return any(rate is not None and rate.is_nothing_seen for rate in made_of.get(name, ()))


def _is_observed(name: str, seen: ObservedProgramme) -> bool:
    needed = {
        "induction_rate": (seen.putative, seen.true_share),
        "false_haploid_rate": (seen.putative, seen.true_share),
        "survival": (seen.survival,),
        "doubling": (seen.ears, seen.true_share),
    }
    if name == "missed_haploid_rate":
        return bool(seen.source)
    return all(rate is not None for rate in needed[name])


def _present(rate: Rate | None) -> Rate:
    if rate is None:
        raise ValueError("a rate that is needed was checked to be there")
    return rate


def share_behind(share: float, of: float, putative: Rate, *, width: float) -> Rate:
    """Rate of true haploids among what is sorted as haploid, as uncertain as the induction rate says it is.

    Parameters
    ----------
    share
        As found.
    of
        Seedlings judged.
    putative
        Kernels sorted as haploid, of all kernels.
    width
        Of the 95 % interval of the induction rate, which is the product of the two: verdicts that leave something
        open widen it, and count here as fewer seedlings.

    Examples
    --------
    >>> share_behind(0.9, 100, counted_rate(500, 5000), width=0.0).weight
    101.0

    """
    plain = counted_rate(share * of, of)
    first = putative.mean
    second_moment = first * (first * (putative.weight or 0.0) + 1) / ((putative.weight or 0.0) + 1)
    variance = (width / 3.92) ** 2
    spare = (variance + (first * plain.mean) ** 2) / second_moment - plain.mean**2
    if spare <= 0:
        return plain
    fewer = min(of, max(plain.mean * (1 - plain.mean) / spare - 2, 1.0))
    return counted_rate(share * fewer, fewer)
