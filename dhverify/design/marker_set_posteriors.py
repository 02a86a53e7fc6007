"""What further markers would do to the posterior of a line: simulated from the judge's own model, with fixed seeds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_chains import StateModel, drawn_patterns, inbred_model, models, pattern_log_probability
from dhverify.design.marker_set_crosses import DesignCross
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_rows import Candidates
from dhverify.findings_table import tree_slots

CLEAN: Final = "clean"
PARENT: Final = "parent"
HYBRIDS: Final = ("hybrid", "selfed hybrid")
WRONG: Final = (*HYBRIDS, "selfed donor", "donor")
N_DRAWS: Final = 300
"""Lines drawn of each finding."""
SEED: Final = 20250301


@dataclass(frozen=True, kw_only=True, eq=False)
class FindingModels:
    """A clean gamete of one cross, and what it may be taken for; a parent of the donor has a model of its own.

    Attributes
    ----------
    names
        ``clean`` first; ``parent`` once for each inbred in the donor's pedigree.
    models
        One a name.

    """

    names: tuple[str, ...]
    models: tuple[StateModel, ...]

    def share_out(self, of_finding: dict[str, float]) -> NDArray[np.float64]:
        """Spread probabilities of findings over the models, those of a parent evenly; float64, shape (n_models,)."""
        return np.array([of_finding.get(name, 0.0) / self.names.count(name) for name in self.names])


def finding_models(cross: DesignCross, request: MarkerSetRequest) -> FindingModels:
    """Return the models of one cross; a fixed donor has no selfed progeny that differs from it."""
    args = cross.donor_tree, cross.inducer_tree
    pairs = {name: models(*args, name, request.error_rate, request.dropout) for name in WRONG}
    parents = sorted(set(tree_slots(cross.donor_tree)))
    inbreds = [inbred_model(slot, *args, request.error_rate, request.dropout) for slot in parents]
    return FindingModels(
        names=(CLEAN, *WRONG, *(PARENT for _ in parents)),
        models=(pairs["hybrid"][0], *(pair[1] for pair in pairs.values()), *inbreds),
    )


def drawn_log_likelihoods(
    found: FindingModels, code: NDArray[np.int64], candidates: Candidates, chosen: Sequence[int]
) -> NDArray[np.float64]:
    """Log likelihoods of drawn lines.

    Parameters
    ----------
    found
        Models of one cross.
    code
        int64, shape (n_markers,). What each marker shows there.
    candidates, chosen
        Markers that are typed; those that show nothing are passed over.

    Returns
    -------
    ndarray
        float64, shape (n_models, N_DRAWS, n_models): of what was drawn, line, under each.

    """
    n = len(found.models)
    total = np.zeros((n, N_DRAWS, n))
    for piece in candidates.pieces(marker for marker in chosen if code[marker] > 0):
        here, gaps = code[list(piece)], candidates.gaps(piece)
        for truth, drawn_from in enumerate(found.models):
            rng = np.random.default_rng([SEED, piece[0], truth])
            seen = drawn_patterns(drawn_from, here, gaps, N_DRAWS, rng)
            for place, model in enumerate(found.models):
                total[truth, :, place] += pattern_log_probability(model, here, gaps, seen)
    return total


def posteriors(log_likelihoods: NDArray[np.float64], prior: NDArray[np.float64]) -> NDArray[np.float64]:
    """Posterior of each drawn line; float64, shape (n_models drawn from, n_draws, n_models)."""
    with np.errstate(divide="ignore"):
        weighed = log_likelihoods + np.log(prior)
    weighed -= weighed.max(axis=2, keepdims=True)
    chance = np.exp(weighed)
    return np.asarray(chance / chance.sum(axis=2, keepdims=True))
