"""From likelihoods to posteriors: what each sample most probably is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify import assumptions
from dhverify.findings_table import EXPECTED, Candidate
from dhverify.outcome import Finding
from dhverify.samples import Stage

FINDING_ORDER: Final = tuple(assumptions.D1_PRIOR)
"""Findings in the order of all posterior arrays; the first is the one that the stage expects."""
PRIOR_ROUNDS: Final = 6
"""Times that shares and posteriors are found in turn (common practice, no source)."""
MOST_SURE: Final = 1 - 1e-9
"""Probability that counts at most where ways of a finding are learnt, so that its odds are a number."""
LOWEST_PRIOR: Final = 5e-4
"""No finding is held for rarer before a line is looked at (common practice, no source: one line in 2,000)."""
MOST_FLEXIBLE: Final = MappingProxyType({"mixture": 0.05, "unresolved": 0.05, "outcross": 0.2})
"""Most that the lot can raise the share of findings that could explain nearly anything (common practice, no source):
a partner is picked among all samples, a stranger fits no pedigree, stray pollen may carry any allele."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Option:
    """One way in which a line could have come about, with its log likelihood and share of its finding."""

    finding: str
    log_likelihood: float
    log_weight: float
    detail: str = ""
    name: str = ""


def stage_prior(stage: Stage | None) -> NDArray[np.float64]:
    """Shipped shares of the findings at a stage, in :data:`FINDING_ORDER`."""
    table = assumptions.D1_PRIOR if stage is Stage.D1 else assumptions.HAPLOID_PRIOR
    prior = np.array([table[finding] for finding in FINDING_ORDER])
    return np.asarray(prior / prior.sum())


def candidate_log_weights(found: Sequence[Candidate], stage: Stage | None) -> NDArray[np.float64]:
    """Log share of each candidate within its finding; float64, shape (n_candidates,)."""
    weights = [c.d1_weight if stage is Stage.D1 else c.seedling_weight for c in found]
    total = dict.fromkeys((c.finding for c in found), 0.0)
    for candidate, weight in zip(found, weights, strict=True):
        total[candidate.finding] += weight
    shares = [weight / max(total[c.finding], 1e-300) for c, weight in zip(found, weights, strict=True)]
    return np.log(np.maximum(shares, 1e-300))


def outcross_ways(found: Sequence[Candidate]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which candidates are outcrosses by the donor's own parents, and which other outcrosses; shape (n_candidates,)."""
    is_own = np.array([way.is_of_own_parent for way in found], dtype=bool)
    return is_own, np.array([way.finding == Finding.OUTCROSS for way in found], dtype=bool) & ~is_own


def finding_log_likelihood(
    log_likelihood: NDArray[np.float64], found: Sequence[Candidate], log_weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Pool the candidates of each finding.

    Parameters
    ----------
    log_likelihood
        float64, shape (n_lines, n_candidates).
    found
        The candidates.
    log_weights
        float64, shape (n_candidates,).

    Returns
    -------
    ndarray
        float64, shape (n_lines, n_findings), in :data:`FINDING_ORDER`; ``-inf`` where a finding has none.

    """
    pooled = np.full((len(log_likelihood), len(FINDING_ORDER)), -np.inf)
    for column, finding in enumerate(FINDING_ORDER):
        index = [k for k, c in enumerate(found) if c.finding == finding]
        if index:
            pooled[:, column] = np.logaddexp.reduce(log_likelihood[:, index] + log_weights[index], axis=1)
    return pooled


def posterior(pooled: NDArray[np.float64], prior: NDArray[np.float64]) -> NDArray[np.float64]:
    """Posterior of the findings; float64, shape (n_lines, n_findings), rows add to 1."""
    joint = pooled + np.log(prior)
    joint -= joint.max(axis=1, keepdims=True)
    weight = np.exp(joint)
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def learn_prior(pooled: NDArray[np.float64], base: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares of the findings in this lot, shrunk to the shipped ones.

    Empirical Bayes: posterior means given the shares, and shares given the posterior means, in turn.

    Parameters
    ----------
    pooled
        float64, shape (n_lines, n_findings). Log likelihoods of the lines of one stage.
    base
        float64, shape (n_findings,). Shipped shares.

    Returns
    -------
    ndarray
        float64, shape (n_findings,); adds to 1.

    """
    prior = base
    weight = assumptions.PRIOR_WEIGHT
    most = np.ones_like(base)
    for finding, share in MOST_FLEXIBLE.items():
        most[FINDING_ORDER.index(finding)] = share
    for _ in range(PRIOR_ROUNDS):
        counted = posterior(pooled, prior).sum(axis=0) if len(pooled) else np.zeros_like(base)
        prior = _capped(np.maximum((base * weight + counted) / (weight + len(pooled)), LOWEST_PRIOR), most)
    return prior


def learn_shares(
    shipped: NDArray[np.float64],
    weight: float,
    shown: NDArray[np.float64],
    is_able: NDArray[np.bool_],
    chance: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Shares of the ways in which a finding comes about in this lot, shrunk to the shipped ones.

    Empirical Bayes, as in :func:`learn_prior`. A line that not all ways are open to stands for as many more of the
    other ways as there should be beside it (a truncated multinomial; Dempster et al. 1977, J R Stat Soc B 39:1-38).

    Parameters
    ----------
    shipped
        float64, shape (n_ways,). Adds to 1.
    weight
        Lines of the finding that the shipped shares count for.
    shown
        float64, shape (n_lines, n_ways). Likelihood of each line in each way, up to a factor of its own.
    is_able
        bool, shape (n_lines, n_ways). Ways that a line can have come about in; those of one way tell nothing.
    chance
        float64, shape (n_lines,). Probability of the finding with the shipped shares.

    Returns
    -------
    ndarray
        float64, shape (n_ways,); adds to 1.

    Examples
    --------
    >>> half = np.array([0.5, 0.5])
    >>> learn_shares(half, 2.0, np.array([[1.0, 0.0]] * 6), np.ones((6, 2), dtype=bool), np.ones(6)).round(3)
    array([0.875, 0.125])

    """

    def evidence(shares: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(shares * shown / (is_able @ shares)[:, None])

    tells = is_able.sum(axis=1) > 1
    shown, is_able = shown[tells], is_able[tells]
    first_chance = np.minimum(chance[tells], MOST_SURE)
    odds = first_chance / (1 - first_chance) / evidence(shipped).sum(axis=1)
    shares = shipped
    for _ in range(PRIOR_ROUNDS):
        now = evidence(shares)
        total = now.sum(axis=1)
        sure = odds * total / (1 + odds * total)
        unseen = shares * ~is_able / (is_able @ shares)[:, None]
        counted = sure @ (now / total[:, None] + unseen)
        shares = (shipped * weight + counted) / (weight + counted.sum())
    return shares


def _capped(share: NDArray[np.float64], most: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares that add to 1 with none above its cap: what is cut off goes to the others in proportion."""
    is_cut = share / share.sum() > most
    while True:
        rest = (1 - most[is_cut].sum()) / share[~is_cut].sum()
        capped = np.where(is_cut, most, share * rest)
        more = ~is_cut & (capped > most)
        if not more.any():
            return np.asarray(capped)
        is_cut |= more


def expected_column() -> int:
    """Column of the expected finding."""
    return FINDING_ORDER.index(EXPECTED)
