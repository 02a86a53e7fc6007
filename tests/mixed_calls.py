"""What calls should show of mixed DNA, spelled out marker by marker."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dhverify.mixed_assay import shown_genotype
from dhverify.observation import CallErrors


def call_chance(errors: CallErrors, second_share: float) -> NDArray[np.float64]:
    """Probability of each call when the second allele has a share of the DNA; float64, shape (n_markers, 3)."""
    return np.asarray(errors.table()[:, :3] @ shown_genotype(np.array(second_share)))
