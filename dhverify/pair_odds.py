"""One genotype or two sisters: log odds of two samples from one hidden path against two separate ones.

Two samples of one genotype follow one path of founder strands along the map, and what was seen of both is seen of
that path; two gametes follow a path each. Both stories use the same pedigrees, assay and map as the findings of
single samples do, so that a sample that is no clean gamete is compared as what it is: two samples of one hybrid
under the hypothesis of a hybrid. Across donors each story is told with the donor that suits it best. Where the
plants of a donor differ (F2, backcross, three-way), two gametes may be of one plant, and are then more alike than
two of the donor at large: that story counts too.

References
----------
Rabiner LR (1989) Proc IEEE 77:257-286 (the recursion); Kass RE, Raftery AE (1995) J Am Stat Assoc 90:773-795
(Bayes factors).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.analysis import Analysis
from dhverify.findings_table import Candidate, FamilyShape, candidates, clean
from dhverify.hypotheses import MEIOSIS, Hypothesis, tabulated
from dhverify.judged_lot import stage_of
from dhverify.judging import candidate_log_weights
from dhverify.likelihood import lay_emissions, log_likelihood
from dhverify.lot import Lot
from dhverify.outcome import Finding
from dhverify.samples import Stage
from dhverify.strands import pair_genotypes

BATCH_BYTES: Final = 64 * 2**20
FIXED_FINDINGS: Final = frozenset({Finding.PARENT, Finding.DONOR, Finding.INDUCER})
"""Findings whose plants are all alike: two of them tell nothing about being one sample."""

ONE_MOTHER: Final = 0.25
"""Share of the pairs of lines of such a donor that come of one plant: four plants are common (common practice, no
source)."""
SURE_GENOTYPES: Final = 0.95
"""Mean probability of the likelier genotype from which a plant's genotype is known."""


@lru_cache(maxsize=256)
def sister_gametes(shape: FamilyShape) -> Hypothesis | None:
    """Two gametes of one donor plant; None where all plants of the donor are alike (an F1, an inbred).

    The first slot of a pair is the strand of the one gamete, the second that of the other.
    """
    gamete = clean(shape)
    *behind, last = gamete.factors or (MEIOSIS,)
    if not behind or last.size != 2:
        return None
    slots = np.array([gamete.pairs[k][0] for k in gamete.pair_of_state]).reshape(-1, 2)
    one, two = np.repeat(slots, 2, axis=1), np.tile(slots, (1, 2))
    return tabulated("two gametes of one plant", (*behind, last, last), one.ravel(), two.ravel())


@lru_cache(maxsize=256)
def _log_weights(shape: FamilyShape, stage: Stage) -> NDArray[np.float64]:
    return candidate_log_weights(candidates(shape), stage)


@dataclass(frozen=True, kw_only=True, order=True)
class Way:
    """A way in which a sample can have come about: a family and one of its candidates, both by number."""

    model: int
    candidate: int


class PairOdds:
    """Computes log odds of pairs of samples, by array row.

    Parameters
    ----------
    lot
        The lot.
    analysis
        What was learnt of it.
    donor_of
        For samples that are clean lines of another donor than the sheet says, by name, that donor. Held against
        the wrong family, two sisters of another one look like one genotype.

    """

    def __init__(self, lot: Lot, analysis: Analysis, donor_of: Mapping[str, str] | None = None) -> None:
        self.lot = lot
        self.analysis = analysis
        self.model_of_donor = {m.family.donor: n for n, m in reversed(list(enumerate(analysis.models)))}
        self.model_of_row: dict[int, int] = {}
        self.best_way: dict[int, Way] = {}
        self._known: dict[tuple[int, Way], float] = {}
        self._is_sure: dict[Way, bool] = {}
        for number, sample in enumerate(analysis.judged):
            self._note(number, stage_of(sample))
        for sample in lot.samples:
            row = lot.row[sample.name]
            if row not in self.model_of_row and sample.donor in self.model_of_donor:
                self.model_of_row[row] = self.model_of_donor[sample.donor]
        for name, donor in (donor_of or {}).items():
            model = self.model_of_donor[donor]
            self.model_of_row[lot.row[name]] = model
            self.best_way[lot.row[name]] = Way(model=model, candidate=0)

    def _note(self, number: int, stage: Stage) -> None:
        row, model = int(self.analysis.rows[number]), int(self.analysis.model_of[number])
        scores = self.analysis.log_likelihood[number]
        weights = _log_weights(self.analysis.models[model].shape, stage)
        self.model_of_row[row] = model
        self.best_way[row] = Way(model=model, candidate=int(np.argmax(scores + weights)))
        for candidate, score in enumerate(scores):
            self._known[row, Way(model=model, candidate=candidate)] = float(score)

    def shown_fixed(self, model: int) -> NDArray[np.bool_]:
        """Markers fixed in the one plant that all lines of a donor come of, where its parents differ."""
        fixed = self.analysis.learnt.fixed_second.get(self.analysis.models[model].family.donor)
        return np.zeros(self.analysis.learnt.grid.n_markers, dtype=bool) if fixed is None else np.isfinite(fixed)

    def candidates(self, model: int) -> tuple[Candidate, ...]:
        """Candidates of a family."""
        return candidates(self.analysis.models[model].shape)

    def candidate_of(self, row: int) -> Candidate | None:
        """Most probable candidate of a judged sample, None for others."""
        way = self.best_way.get(row)
        return None if way is None else self.candidates(way.model)[way.candidate]

    def is_fixed(self, row: int) -> bool:
        """Whether a sample is most probably a plant that is like all others of its kind, and known to be so."""
        found = self.candidate_of(row)
        if found is None or found.finding not in FIXED_FINDINGS or found.hypothesis.n_states > 1:
            return False
        way = self.best_way[row]
        if way not in self._is_sure:
            genotypes = self._genotypes(way)
            self._is_sure[way] = bool(genotypes.max(axis=1).mean() > SURE_GENOTYPES)
        return self._is_sure[way]

    def _genotypes(self, way: Way) -> NDArray[np.float64]:
        """Genotype probabilities of each strand pair of a way; float64, shape (n_markers, 3, n_pairs)."""
        learnt, model = self.analysis.learnt, self.analysis.models[way.model]
        pairs = list(self.candidates(way.model)[way.candidate].hypothesis.pairs)
        plant = model.donor_sample
        fixed = learnt.donor_genotype(model, self.lot.row[plant] if plant else None)
        return pair_genotypes(pairs, learnt.slot_values(model), fixed)

    def log_odds(self, first: Sequence[int], second: Sequence[int]) -> NDArray[np.float64]:
        """Natural log odds of one genotype against two separate ones.

        Parameters
        ----------
        first, second
            Rows of the two samples of each pair.

        Returns
        -------
        ndarray
            float64, shape (n_pairs,); nan where neither sample has a family.

        """
        ways = [self._ways(a, b) for a, b in zip(first, second, strict=True)]
        together = self._together(first, second, ways)
        wanted = {
            (row, way)
            for a, b, pair_ways in zip(first, second, ways, strict=True)
            for row in (a, b)
            for way in self._alone_ways(row, pair_ways)
        }
        self._score_alone(wanted)
        apart = np.array(
            [
                self._alone(a, pair_ways) + self._alone(b, pair_ways) if pair_ways else np.nan
                for a, b, pair_ways in zip(first, second, ways, strict=True)
            ]
        ).reshape(len(ways))
        return together - self._with_sisters(first, second, apart)

    def _with_sisters(
        self, first: Sequence[int], second: Sequence[int], apart: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Pool two separate samples with two gametes of one donor plant, where that is another story."""
        pairs_of: dict[int, list[int]] = {}
        for pair, (a, b) in enumerate(zip(first, second, strict=True)):
            model = self.model_of_row.get(a, -1)
            if model >= 0 and self._is_one_donor(model, self.model_of_row.get(b, -1)):
                pairs_of.setdefault(model, []).append(pair)
        pooled = apart.copy()
        rows, others = np.array(first, dtype=np.int64), np.array(second, dtype=np.int64)
        for model, found in sorted(pairs_of.items()):
            told = sister_gametes(self.analysis.models[model].shape)
            if told is not None and not self.analysis.models[model].shape.parents:
                pairs = np.array(found)
                sisters = self._sisters(model, told, rows[pairs], others[pairs])
                pooled[pairs] = np.logaddexp(np.log1p(-ONE_MOTHER) + apart[pairs], np.log(ONE_MOTHER) + sisters)
        return pooled

    def _is_one_donor(self, model: int, other: int) -> bool:
        models = self.analysis.models
        return other >= 0 and models[model].family.donor == models[other].family.donor

    def _sisters(
        self, model: int, told: Hypothesis, rows: NDArray[np.int64], others: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """Log likelihood of two samples as two gametes of one plant; float64, shape (n_pairs,)."""
        learnt = self.analysis.learnt
        first = [(one, one) for one, _ in told.pairs]
        second = [(two, two) for _, two in told.pairs]
        values = learnt.slot_values(self.analysis.models[model])
        genotypes = [pair_genotypes(side, values, {}) for side in (first, second)]
        result = np.empty(len(rows))
        batch = self._batch(len(told.pairs))
        for start in range(0, len(rows), batch):
            part = slice(start, start + batch)
            seen = [
                learnt.assay.genotype_likelihood(learnt.seen, side[part]) @ given
                for side, given in zip((rows, others), genotypes, strict=True)
            ]
            emissions = lay_emissions((seen[0] * seen[1]).transpose(0, 2, 1), told.pairs, learnt.grid)
            result[part] = log_likelihood(told, emissions, learnt.grid)
        return result

    def _batch(self, n_pairs: int) -> int:
        grid = self.analysis.learnt.grid
        cells = grid.n_steps * grid.n_chains * (n_pairs + 3)
        return int(max(1, min(256, BATCH_BYTES // (8 * max(cells, 1)))))

    def _ways(self, a: int, b: int) -> tuple[Way, ...]:
        """Ways in which the two could be one genotype: what either is, and a clean gamete of either donor."""
        ways = [self.best_way[row] for row in (a, b) if row in self.best_way]
        models = [self.model_of_row[row] for row in (a, b) if row in self.model_of_row]
        return tuple(dict.fromkeys([*ways, *(Way(model=model, candidate=0) for model in models)]))

    def _alone_ways(self, row: int, pair_ways: tuple[Way, ...]) -> tuple[Way, ...]:
        """Ways in which one of the two could have come about by itself; an unknown inbred, too."""
        own = [self.best_way[row]] if row in self.best_way else []
        strangers = [] if row in self.best_way else [self._stranger(way.model) for way in pair_ways]
        return tuple(dict.fromkeys([*own, *pair_ways, *strangers]))

    def _stranger(self, model: int) -> Way:
        found = self.candidates(model)
        number = next(k for k, c in enumerate(found) if c.finding == Finding.UNRESOLVED)
        return Way(model=model, candidate=number)

    def _alone(self, row: int, pair_ways: tuple[Way, ...]) -> float:
        return max(self._known[row, way] for way in self._alone_ways(row, pair_ways))

    def _score_alone(self, wanted: Iterable[tuple[int, Way]]) -> None:
        missing = sorted((way, row) for row, way in wanted if (row, way) not in self._known)
        for way in dict.fromkeys(way for way, _ in missing):
            rows = [row for other, row in missing if other == way]
            scores = self._log_likelihood(way, np.array(rows, dtype=np.int64), None)
            self._known.update({(row, way): float(s) for row, s in zip(rows, scores, strict=True)})

    def _together(
        self, first: Sequence[int], second: Sequence[int], ways: Sequence[tuple[Way, ...]]
    ) -> NDArray[np.float64]:
        """Log likelihood of one genotype, told in the best way; float64, shape (n_pairs,)."""
        best = np.full(len(ways), -np.inf)
        pairs_of: dict[Way, list[int]] = {}
        for pair, pair_ways in enumerate(ways):
            for way in pair_ways:
                pairs_of.setdefault(way, []).append(pair)
        a, b = np.array(first, dtype=np.int64), np.array(second, dtype=np.int64)
        for way in sorted(pairs_of):
            pairs = np.array(pairs_of[way])
            best[pairs] = np.maximum(best[pairs], self._log_likelihood(way, a[pairs], b[pairs]))
        return best

    def _log_likelihood(
        self, way: Way, rows: NDArray[np.int64], others: NDArray[np.int64] | None
    ) -> NDArray[np.float64]:
        """Log likelihood of samples in one way, each as one genotype with another sample where one is given."""
        learnt = self.analysis.learnt
        told = self.candidates(way.model)[way.candidate].hypothesis
        pairs = list(told.pairs)
        genotypes = self._genotypes(way)
        batch = self._batch(len(pairs))
        result = np.empty(len(rows))
        for start in range(0, len(rows), batch):
            part = slice(start, start + batch)
            seen = learnt.assay.genotype_likelihood(learnt.seen, rows[part])
            if others is not None:
                seen = seen * learnt.assay.genotype_likelihood(learnt.seen, others[part])
            emissions = lay_emissions((seen @ genotypes).transpose(0, 2, 1), pairs, learnt.grid)
            result[part] = log_likelihood(told, emissions, learnt.grid)
        return result
