"""Every cut-off that decides a verdict, with unit, range, reason and source.

Limits are decisions. What the model assumes of the assay and of the programme (error rates, priors) is
kept apart, in :mod:`dhverify.assumptions`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from numbers import Real
from typing import Any, Final

from dhverify.errors import Defect, LimitsError


@dataclass(frozen=True, kw_only=True)
class LimitInfo:
    """What one limit means: unit, range, why it has its value, and the evidence."""

    name: str
    shipped: float
    unit: str
    low: float
    high: float
    whole: bool
    reason: str
    source: str


def _limit(shipped: float, *, unit: str, low: float, high: float, reason: str, source: str, whole: bool = False) -> Any:
    metadata = {"unit": unit, "low": low, "high": high, "reason": reason, "source": source, "whole": whole}
    return field(default=shipped, metadata=metadata)


COMMON_PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True, kw_only=True)
class Limits:
    """The cut-offs in force for one check.

    Raises
    ------
    LimitsError
        If a value is no number or out of its range; all such values are named at once.

    Examples
    --------
    >>> Limits().min_diagnostic_markers
    5
    >>> Limits.from_mapping({"min_confidence": 0.95}).min_confidence
    0.95

    """

    min_confidence: float = _limit(
        0.95,
        unit="probability",
        low=0.5,
        high=0.999999,
        reason="A line passes when the finding its stage expects is at least this probable, and fails when"
        " that finding is at most one minus this probable; between the two the data do not decide.",
        source="a decision about risk, no source: a wrong pass costs a season of trials, a retest one assay",
    )
    min_called_markers: int = _limit(
        12,
        unit="markers",
        low=1,
        high=100000,
        whole=True,
        reason="With fewer called usable markers nothing is said about a sample: its finding is unresolved.",
        source="computed: a selfed donor shows no heterozygote at 12 independent segregating markers with"
        " probability 0.5 ** 12 = 2e-4",
    )
    min_call_rate: float = _limit(
        0.2,
        unit="share of usable markers",
        low=0.0,
        high=1.0,
        reason="Below it the DNA or the assay has failed for this sample. Low enough that missing calls as such"
        " do not hold back a line that the remaining markers decide.",
        source="missing 25 to 55 % is normal for reduced-representation sequencing in maize (Wang et al. 2020,"
        " Sci Rep 10:16308); the value itself is common practice, no source",
    )
    min_diagnostic_markers: int = _limit(
        5,
        unit="called markers",
        low=0,
        high=100000,
        whole=True,
        reason="With fewer called diagnostic markers a hybrid with the inducer cannot be excluded by them: five"
        " miss a hybrid with probability 1.2e-3 and reject a good line with 1e-5.",
        source="computed from the binomial, error 1 %, heterozygotes called 95 % (tests recompute it)",
    )
    max_heterozygosity: float = _limit(
        0.05,
        unit="share of called usable markers",
        low=0.0,
        high=1.0,
        reason="A clean donor gamete has no heterozygote; above this, beyond the 95 % interval and the lot's own"
        " rate of false heterozygotes, the sample needs a new look.",
        source="stock purity of at least 95 % (Ertiro et al. 2015, BMC Genomics 16:908; Semagn et al. 2012,"
        " Theor Appl Genet 125:1487-1501); its use as a working limit is common practice, no source",
    )
    max_inducer_share: float = _limit(
        0.05,
        unit="share of the genome",
        low=0.0,
        high=1.0,
        reason="Inducer alleles over more of the genome than this, beyond the 95 % interval, are no call errors.",
        source="retained inducer DNA is 1.84 % of the genome on average where it occurs (Li et al. 2009, Planta"
        " 230:367-376); the value itself is common practice, no source",
    )
    max_foreign_share: float = _limit(
        0.05,
        unit="share of the genome",
        low=0.0,
        high=1.0,
        reason="Alleles that neither donor nor inducer can give, over more than this, beyond the 95 % interval,"
        " mean that another plant took part.",
        source=COMMON_PRACTICE,
    )
    max_inducer_segment_cm: float = _limit(
        0.0,
        unit="cM",
        low=0.0,
        high=1000.0,
        reason="The longest inducer segment that a line may carry; 0 accepts none.",
        source="a decision of the programme; segments of about 44 Mb are real (Zhao et al. 2013, Plant Physiol"
        " 163:721-731)",
    )
    min_segment_markers: int = _limit(
        3,
        unit="diagnostic markers",
        low=1,
        high=1000,
        whole=True,
        reason="A run of inducer alleles at fewer markers is not called a segment.",
        source="computed: at an error of 1 % three given markers in a row are wrong with probability 1e-6",
    )
    max_blank_call_rate: float = _limit(
        0.10,
        unit="share of usable markers",
        low=0.0,
        high=1.0,
        reason="A no-template control that is called at more markers is dirty.",
        source="no-template wells hold neighbours' DNA often (Minich et al. 2019, mSystems 4:e00186-19); the value"
        " itself is common practice, no source",
    )
    min_identity_markers: int = _limit(
        25,
        unit="compared segregating markers",
        low=1,
        high=100000,
        whole=True,
        reason="With fewer markers compared it is not said whether two samples are one genotype: sisters reach"
        " .95 identity on 20 markers by chance in 2e-4 of pairs. More are asked for by the odds where these do not"
        " decide.",
        source="computed from sister lines (tests recompute it)",
    )
    max_reference_conflict: float = _limit(
        0.05,
        unit="share of compared markers",
        low=0.0,
        high=1.0,
        reason="A parent's plant may differ from its stock; more than this against its own offspring puts the"
        " reference in doubt.",
        source="seed stock called pure has at least 95 % homogeneous markers (Ertiro et al. 2015, BMC Genomics 16:908)",
    )

    def __post_init__(self) -> None:
        defects = [defect for info in limit_infos() if (defect := _defect(info, getattr(self, info.name)))]
        if defects:
            raise LimitsError("limits", defects)
        for info in limit_infos():
            object.__setattr__(self, info.name, _typed(info, getattr(self, info.name)))

    @classmethod
    def from_mapping(cls, values: Mapping[str, object], *, source: str = "limits") -> Limits:
        """Limits as shipped, with the given ones replaced.

        Raises
        ------
        LimitsError
            Naming every unknown limit and every value out of range.

        """
        infos = {info.name: info for info in limit_infos()}
        defects = [_unknown(name, infos) for name in values if name not in infos]
        defects += [d for name, value in values.items() if name in infos and (d := _defect(infos[name], value))]
        if defects:
            raise LimitsError(source, defects)
        known: Mapping[str, Any] = values
        return cls(**known)

    def items(self) -> Iterator[tuple[str, float]]:
        """Yield (name, value) in the order of the declaration."""
        for info in limit_infos():
            yield info.name, getattr(self, info.name)


def limit_infos() -> tuple[LimitInfo, ...]:
    """Every limit with its shipped value, unit, range, reason and source."""
    return tuple(LimitInfo(name=f.name, shipped=_shipped(f.default), **f.metadata) for f in fields(Limits))


def _typed(info: LimitInfo, value: Any) -> float:
    return int(value) if info.whole else float(value)


def _shipped(value: Any) -> float:
    return value if isinstance(value, int) else float(value)


def _unknown(name: str, infos: Mapping[str, LimitInfo]) -> Defect:
    close = get_close_matches(name, infos, n=1)
    expected = f"a name of a limit: did you mean {close[0]}?" if close else "one of " + ", ".join(infos)
    return Defect(where=f"limit {name}", found="an unknown name", expected=expected)


def _defect(info: LimitInfo, value: object) -> Defect | None:
    kind = "a whole number" if info.whole else "a number"
    expected = f"{kind} from {info.low:g} to {info.high:g}"
    where = f"limit {info.name}"
    if isinstance(value, bool) or not isinstance(value, Real):
        return Defect(where=where, found=repr(value), expected=expected)
    number: Any = value  # a number of any kind: numpy's too, and whole ones too large for a float
    if not info.low <= number <= info.high or (info.whole and number != int(number)):
        return Defect(where=where, found=f"{value}", expected=expected)
    return None
