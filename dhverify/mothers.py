"""What sister lines say of a sample where the plants of a donor differ (F2, backcross, three-way, four-way).

A clean line shows half of the plant that it came from. Held against it, a sample in doubt may be that plant, selfed
progeny of it, or two of its gametes mixed; a stranger to that plant looks otherwise. Without this a mixture, which is
told with the genotype of its partner in hand, has the better of findings that know nothing of any sister.

References
----------
Lander ES, Green P (1987) PNAS 84:2363-2367 (meioses as hidden factors).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.alternatives import linked_log_likelihood
from dhverify.analysis import Analysis
from dhverify.findings_table import (
    EXPECTED,
    SELFED_WEIGHTS,
    SELFINGS,
    FamilyShape,
    Tree,
    candidates,
    n_meioses,
    plant_maker,
)
from dhverify.hypotheses import Haplotype, Hypothesis, Meioses, Plant, crossed, gamete_twice, state_slots, tabulated
from dhverify.judged_lot import stage_of
from dhverify.judging import FINDING_ORDER, Option
from dhverify.likelihood import lay_emissions, log_likelihood
from dhverify.mixed_assay import mixed_likelihoods
from dhverify.mixture_fits import SHARES, MixtureFit
from dhverify.one_plant import PLANT_PRIOR
from dhverify.outcome import Finding
from dhverify.partners import PartnerGenotypes, genotypes_by_pedigree
from dhverify.samples import Stage
from dhverify.sister_copies import CleanLines
from dhverify.sisters import SISTERS_CROSSED
from dhverify.strands import pair_genotypes

MOTHER_WEIGHT: Final = 0.5
"""Share of the donor plants of a lot that are the mother of a line in it (common practice, no source)."""
CROSSED_SISTER: Final = 0.01
"""Share of the selfed progeny of a donor that comes of two sisters, one of them in the lot (common practice, no
source)."""
SISTER_SHARE: Final = 0.1
"""Share of the lines of a donor that come of one plant, before they are looked at (common practice, no source)."""
MOST_SISTERS: Final = 3
"""Sisters of one sample that are looked at: the best partners of a mixture."""
MOST_DAUGHTERS: Final = 24
"""Sisters that are asked whether they come of a sample too: those that agree best with it."""
MOST_FACTORS: Final = 6
"""Meioses of one story: its states double once more for each."""
CONCERNED: Final = (Finding.DONOR, Finding.SELFED_DONOR, Finding.MIXTURE)
LEAST_CONCERNED: Final = 0.01
"""Lines are held against their sisters where these findings are more probable than this together (on the safe side;
for speed)."""
ALONE: Final = "the sister alone"
GAMETE: Final = "a gamete"
ITSELF: Final = "the plant itself"
F1_GAMETE: Final = gamete_twice("a gamete of this plant", plant_maker((0, 1)))


@dataclass(frozen=True, kw_only=True)
class _Story:
    """A plant, what is known of it (a gamete in a sister, or itself), and what else came of it.

    Attributes
    ----------
    told
        Its states; ``pairs`` number the columns of emissions.
    witness
        Slots of what is known in each column: twice the sister's gamete, or both chromosomes of the plant.
    sample
        Slots of the sample in each column; none of them where the story is of the witness alone.

    """

    told: Hypothesis
    witness: tuple[tuple[int, int], ...]
    sample: tuple[tuple[int, int], ...]


def _story(tree: Tree, made: str, *, is_plant_known: bool) -> _Story:
    meioses = Meioses()
    plant = plant_maker(tree)(meioses)
    witness = (plant.first, plant.second) if is_plant_known else (meioses.gamete(plant),) * 2
    sample = _made(meioses, plant, made)
    slots = [state_slots(side, meioses) for side in (*witness, *sample)]
    codes = list(zip(*(side.tolist() for side in slots), strict=True))
    columns = {code: number for number, code in enumerate(dict.fromkeys(codes))}
    number = np.array([columns[code] for code in codes])
    return _Story(
        told=tabulated(made, tuple(meioses.factors), number, number),
        witness=tuple(code[:2] for code in columns),
        sample=tuple(code[2:] for code in columns) if sample else (),
    )


def _made(meioses: Meioses, plant: Plant, made: str) -> tuple[Haplotype, ...]:
    """The two chromosomes of a sample that comes of a plant in some way."""
    if made == ALONE:
        return ()
    if made == GAMETE:
        gamete = meioses.gamete(plant)
        return gamete, gamete
    for _ in range(SELFINGS.get(made, 0)):
        plant = meioses.selfed(plant)
    return plant.first, plant.second


@lru_cache(maxsize=256)
def _stories(shape: FamilyShape) -> dict[str, _Story]:
    """Stories of a family shape that are simple enough."""
    found = {
        made: _story(shape.donor, made, is_plant_known=bool(shape.parents))
        for made in (ALONE, GAMETE, ITSELF, *SELFINGS)
    }
    return {name: story for name, story in found.items() if len(story.told.factors) <= MOST_FACTORS}


def by_sisters(
    analysis: Analysis, mixtures: Mapping[int, MixtureFit], share: NDArray[np.float64]
) -> dict[int, list[Option]]:
    """Score lines in doubt as what may come of the mother of a sister line.

    Parameters
    ----------
    analysis
        The lot.
    mixtures
        By judged sample in doubt, its best partners as a mixture.
    share
        float64, shape (n_judged, n_findings). Posterior without these options.

    Returns
    -------
    dict
        Options by judged sample; none for donors whose plants are all alike.

    """
    judge = _Sisters(analysis)
    concerned = share[:, [FINDING_ORDER.index(finding) for finding in CONCERNED]].sum(axis=1) > LEAST_CONCERNED
    return {line: judge.options(line, fit) for line, fit in mixtures.items() if concerned[line]}


class _Sisters:
    """Scores samples against the plants behind their sister lines."""

    def __init__(self, analysis: Analysis) -> None:
        self.analysis = analysis
        self.genotypes = PartnerGenotypes(analysis)
        self.clean = CleanLines(analysis)
        self.number = {sample.name: k for k, sample in enumerate(analysis.judged)}
        self._known_alone: dict[tuple[int, int | None], float] = {}
        self._known_mates: dict[tuple[int, int], float] = {}

    def options(self, line: int, fit: MixtureFit) -> list[Option]:
        """Options of a sample by the sisters that it may share a mother with."""
        shape = self.analysis.models[int(self.analysis.model_of[line])].shape
        if isinstance(shape.donor, int) or not n_meioses(shape.donor) or shape.is_bulk:
            return []
        sisters = self.clean.sisters_of(line)
        if GAMETE not in _stories(shape) or not len(sisters):
            return []
        rare = -float(np.log(len(self.analysis.judged)))
        weight_of = {
            self.number.get(name, -1): weight for name, weight in zip(fit.partners, fit.log_weights, strict=True)
        }
        partners = [sister for sister in weight_of if sister in sisters][: MOST_SISTERS - 1]
        alike = [int(sister) for sister in self._most_alike(line, sisters) if sister not in partners]
        chosen = [*partners, *alike][:MOST_SISTERS]
        found = [self._crossed(line, sister, len(sisters)) for sister in chosen]
        if shape.parents:
            found += [*self._selfed(line, None, 0.0), self._clean(line, None, 0.0)]
            return found + [self._mixed(line, sister, None, weight_of.get(sister, rare)) for sister in chosen]
        of_sisters = float(np.log(MOTHER_WEIGHT / len(sisters)))
        of_plant = float(np.log(SISTER_SHARE))
        as_donor = self._as_donor(line)
        for sister in chosen:
            daughters = self._other_daughters(line, as_donor, sister, sisters[sisters != sister])
            found += [
                self._mother(line, sister, of_sisters, daughters),
                *self._selfed(line, sister, of_sisters),
                self._clean(line, sister, of_plant),
                self._mixed(line, sister, sister, weight_of.get(sister, rare) + of_plant),
            ]
        return found

    def _mother(self, line: int, sister: int, log_weight: float, daughters: float) -> Option:
        """The mother of a sister, and of others by log odds."""
        return Option(
            finding=Finding.DONOR,
            log_likelihood=float(self._given(ITSELF, line, sister)[0]) + daughters,
            log_weight=log_weight,
            detail=f"the mother of {self.analysis.judged[sister].name}",
        )

    def _selfed(self, line: int, witness: int | None, log_weight: float) -> list[Option]:
        """Selfed progeny of the plant."""
        is_d1 = stage_of(self.analysis.judged[line]) is Stage.D1
        return [
            Option(
                finding=Finding.SELFED_DONOR,
                log_likelihood=float(self._given(made, line, witness)[0]),
                log_weight=log_weight + float(np.log(weights[is_d1])),
                detail=made,
            )
            for made, weights in SELFED_WEIGHTS.items()
            if made in self._stories_of(line)
        ]

    def _crossed(self, line: int, sister: int, n_sisters: int) -> Option:
        """A sister crossed with another gamete of the donor."""
        learnt = self.analysis.learnt
        model = self.analysis.models[int(self.analysis.model_of[line])]
        genotype = self.genotypes[int(self.analysis.rows[sister])]
        values = np.vstack([learnt.family_strands(model), genotype[:, 2] + genotype[:, 1] / 2])
        told = crossed(SISTERS_CROSSED, plant_maker(model.shape.donor), plant_maker(len(model.slots)))
        score = linked_log_likelihood(learnt, self.analysis.rows[[line]], values, told)
        return Option(
            finding=Finding.SELFED_DONOR,
            log_likelihood=float(score[0]),
            log_weight=float(np.log(CROSSED_SISTER / n_sisters)),
            detail=SISTERS_CROSSED,
        )

    def _clean(self, line: int, witness: int | None, log_weight: float) -> Option:
        """A gamete of the plant and nothing else."""
        score = float(self._given(GAMETE, line, witness)[0])
        return Option(finding=EXPECTED, log_likelihood=score, log_weight=log_weight)

    def _mixed(self, line: int, sister: int, witness: int | None, log_weight: float) -> Option:
        """A gamete of the plant with DNA of a sister."""
        mixed = self._given(GAMETE, line, witness, partner=sister)
        return Option(
            finding=Finding.MIXTURE,
            log_likelihood=float(np.logaddexp.reduce(mixed) - np.log(len(mixed))),
            log_weight=log_weight,
            name=self.analysis.judged[sister].name,
        )

    def _stories_of(self, line: int) -> dict[str, _Story]:
        return _stories(self.analysis.models[int(self.analysis.model_of[line])].shape)

    def _given(self, made: str, line: int, witness: int | None, *, partner: int | None = None) -> NDArray[np.float64]:
        """Log likelihood of a sample made in some way, given the witness; with a partner's DNA in it, at each share."""
        story, values = self._stories_of(line)[made], self._values(line)
        seen = self._of_witness(line, witness, story, values)
        if partner is None:
            seen = seen * self._of_sample(np.array([line]), story, values)
        else:
            seen = seen * self._of_mixture(line, partner, story, values)
        return self._along(story, seen) - self._alone(line, witness)

    def _alone(self, line: int, witness: int | None) -> float:
        """Log likelihood of the witness by itself."""
        key = (int(self.analysis.model_of[line]), witness)
        if key not in self._known_alone:
            story = self._stories_of(line)[ALONE]
            seen = self._of_witness(line, witness, story, self._values(line))
            self._known_alone[key] = float(self._along(story, seen)[0])
        return self._known_alone[key]

    def _values(self, line: int) -> NDArray[np.float64]:
        return self.analysis.learnt.slot_values(self.analysis.models[int(self.analysis.model_of[line])])

    def _along(self, story: _Story, seen: NDArray[np.float64]) -> NDArray[np.float64]:
        grid = self.analysis.learnt.grid
        return log_likelihood(story.told, lay_emissions(seen, story.told.pairs, grid), grid)

    def _of_witness(
        self, line: int, witness: int | None, story: _Story, values: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Likelihood of what is known of the plant: a sister, or None for itself; shape (n_markers, n_columns, 1)."""
        learnt = self.analysis.learnt
        if witness is None:
            donor = self.analysis.models[int(self.analysis.model_of[line])].family.donor
            likelihood = learnt.one_plant[donor] / np.array(PLANT_PRIOR)
        else:
            likelihood = learnt.assay.genotype_likelihood(learnt.seen, self.analysis.rows[witness : witness + 1])[:, 0]
        genotypes = pair_genotypes(list(story.witness), values, {})
        return np.asarray(np.einsum("mg,mgc->mc", likelihood, genotypes))[:, :, None]

    def _of_sample(self, lines: NDArray[np.int64], story: _Story, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Likelihood of samples in each column of a story; float64, shape (n_markers, n_columns, n_lines)."""
        learnt = self.analysis.learnt
        genotypes = pair_genotypes(list(story.sample), values, {})
        likelihood = learnt.assay.genotype_likelihood(learnt.seen, self.analysis.rows[lines])
        return np.asarray((likelihood @ genotypes).transpose(0, 2, 1))

    def _of_mixture(self, line: int, sister: int, story: _Story, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Likelihood of a gamete with a share of the sister's DNA; float64, shape (n_markers, n_columns, n_shares)."""
        row, partner = int(self.analysis.rows[line]), int(self.analysis.rows[sister])
        mixed = mixed_likelihoods(self.analysis.learnt, row, SHARES)
        given = np.einsum("msag,mg->mas", mixed, self.genotypes[partner])
        second = values[[slot for slot, _ in story.sample]].T[:, :, None]
        return np.asarray(given[:, :1] * (1 - second) + given[:, 1:] * second)

    def _other_daughters(
        self, line: int, as_donor: NDArray[np.float64], sister: int, others: NDArray[np.int64]
    ) -> float:
        """Log odds that other sisters are gametes of a sample too, against what the one sister says of them.

        The sample's two chromosomes are told apart by the sister's gamete: what it lacks is on the other one.
        """
        learnt, rows = self.analysis.learnt, self.analysis.rows
        others = self._most_alike(line, others)
        if not len(others):
            return 0.0
        partner = self.genotypes[int(rows[sister])]
        own = partner[:, 2] / np.maximum(partner[:, 0] + partner[:, 2], 1e-300)
        lacks = (1 - own) * as_donor[:, 0] + own * as_donor[:, 1]
        shows = (1 - own) * as_donor[:, 1] + own * as_donor[:, 2]
        complement = np.clip(shows / np.maximum(lacks + shows, 1e-300), 0.001, 0.999)
        of_plant = linked_log_likelihood(learnt, rows[others], np.stack([own, complement]), F1_GAMETE)
        at_large = np.array([self.analysis.log_likelihood[k][0] for k in others])
        of_mother = self._mates(line, sister, others)
        known = np.logaddexp(np.log1p(-SISTER_SHARE) + at_large, np.log(SISTER_SHARE) + of_mother)
        told = np.logaddexp(np.log1p(-SISTER_SHARE) + at_large, np.log(SISTER_SHARE) + of_plant)
        return float((told - known).sum())

    def _mates(self, line: int, sister: int, others: NDArray[np.int64]) -> NDArray[np.float64]:
        """Log likelihood of other sisters as gametes of the plant that one sister is of; shape (n_others,)."""
        asked = np.array([k for k in others if (sister, int(k)) not in self._known_mates], dtype=np.int64)
        if len(asked):
            story, values = self._stories_of(line)[GAMETE], self._values(line)
            seen = self._of_witness(line, sister, story, values) * self._of_sample(asked, story, values)
            for k, score in zip(asked, self._along(story, seen) - self._alone(line, sister), strict=True):
                self._known_mates[sister, int(k)] = float(score)
        return np.array([self._known_mates[sister, int(k)] for k in others])

    def _as_donor(self, line: int) -> NDArray[np.float64]:
        """Genotype probabilities of a sample, were it a donor plant; float64, shape (n_markers, 3)."""
        found = candidates(self.analysis.models[int(self.analysis.model_of[line])].shape)
        donor = next(c for c in found if c.finding == Finding.DONOR)
        return genotypes_by_pedigree(self.analysis, [line], donor)[0]

    def _most_alike(self, line: int, others: NDArray[np.int64]) -> NDArray[np.int64]:
        """The sisters that show what a sample lacks at the fewest markers."""
        calls, rows = self.analysis.learnt.seen.calls, self.analysis.rows
        own, theirs = calls[rows[line]], calls[rows[others]]
        apart = ((own == 0) & (theirs == 2)) | ((own == 2) & (theirs == 0))
        order = np.argsort(apart.sum(axis=1), kind="stable")
        return others[order[:MOST_DAUGHTERS]]
