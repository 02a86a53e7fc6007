"""What a panel can see where one chromosome has no diagnostic marker."""

from __future__ import annotations

import numpy as np

from dhverify.marker_grid import lay_out
from dhverify.segments import blind_chromosomes, smallest_visible_cm


def panel(blind: str, n_told: int = 0):
    """Three chromosomes of 120, 120 and 200 cM with a marker each cM; all tell but those of one chromosome."""
    chrom = np.concatenate([np.repeat("1", 121), np.repeat("2", 121), np.repeat("10", 201)])
    cm = np.concatenate([np.arange(121.0), np.arange(121.0), np.arange(201.0)])
    told = chrom != blind
    told[np.flatnonzero(chrom == blind)[:n_told]] = True
    return lay_out(chrom, cm), told


def test_a_long_blind_chromosome_does_not_hide_what_the_others_show():
    grid, told = panel("10")
    assert smallest_visible_cm(grid, told, 1.0, 3) == 2.0
    assert blind_chromosomes(grid, told, 3) == ("10",)


def test_a_chromosome_with_fewer_markers_than_a_segment_needs_is_blind():
    for n_told, blind in ((2, ("2",)), (3, ())):
        grid, told = panel("2", n_told)
        assert blind_chromosomes(grid, told, 3) == blind


def test_none_is_seen_where_every_chromosome_is_blind():
    grid, told = panel("10")
    nothing = np.zeros_like(told)
    assert smallest_visible_cm(grid, nothing, 1.0, 3) is None
    assert blind_chromosomes(grid, nothing, 3) == ("1", "2", "10")


def test_unplaced_markers_are_no_chromosome():
    grid = lay_out(np.array(["", "", ""]), np.full(3, np.nan))
    assert blind_chromosomes(grid, np.ones(3, dtype=bool), 1) == ()
    assert smallest_visible_cm(grid, np.ones(3, dtype=bool), 1.0, 1) is None
