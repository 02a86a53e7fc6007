"""Simulated lines judged by the rooms that judge lines, to hold predicted errors against."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import marker_set_material as material
import numpy as np
import pandas as pd
import pytest

from dhverify.design.marker_set_chains import call_table
from dhverify.design.marker_set_crosses import design_crosses
from dhverify.design.marker_set_errors import ErrorModel
from dhverify.design.marker_set_rows import candidates_of, design_rows
from dhverify.findings_table import plant_maker
from dhverify.genetic_map import place_markers
from dhverify.hypotheses import crossed, gamete_twice, plant_itself
from dhverify.likelihood import lay_emissions, log_likelihood
from dhverify.marker_grid import lay_out
from dhverify.observation import CallErrors, calls_likelihood
from dhverify.samples import Role, Sample, SampleSheet
from dhverify.strands import pair_genotypes

MALES = ("B73", "D06", "EC169", "F252")
INDUCER = "Mo17"


def rows_of(genotypes, sheet, request):
    crosses = design_crosses(genotypes, sheet)
    marker_map = place_markers(genotypes.markers)
    candidates = candidates_of(marker_map, np.zeros(genotypes.n_markers, dtype=bool))
    return crosses, candidates, design_rows(crosses, request), marker_map


def judged(cross, finding, calls, chrom, cm, request):
    """Log likelihood ratio of a clean line to the finding, by the rooms that judge lines."""
    table = call_table(request.error_rate, request.dropout)
    errors = CallErrors(
        marker_hom_to_het=np.full(calls.shape[1], request.error_rate / 2),
        hom_to_other_hom=request.error_rate / 2,
        dropout=1 - table[1, 1],
    )
    grid = lay_out(chrom, cm)
    donor, inducer = plant_maker(cross.donor_tree), plant_maker(cross.inducer_tree)
    wrong = {
        "hybrid": lambda: crossed("w", donor, inducer),
        "selfed hybrid": lambda: crossed("w", donor, inducer, selfings=1),
        "selfed donor": lambda: plant_itself("w", donor, selfings=1),
    }[finding]()
    totals = []
    for hypothesis in (gamete_twice("g", donor), wrong):
        pairs = list(hypothesis.pairs)
        genotype = pair_genotypes(pairs, cross.allele[:, :].astype(float), {})
        seen = calls_likelihood(errors.table(), calls)
        per_marker = (seen @ genotype).transpose(0, 2, 1)
        totals.append(log_likelihood(hypothesis, lay_emissions(per_marker, pairs, grid), grid))
    return totals[0] - totals[1]


def hold_against_simulated_lines(genotypes, sheet, request, chosen, trees, n_lines, seed=1):
    """Assert that predicted errors agree with simulated lines in every cross and finding; return how many were held.

    ``trees`` are the donors' pedigrees as nested tuples over sample names, in sheet order.
    """
    crosses, candidates, rows, marker_map = rows_of(genotypes, sheet, request)
    predicted = ErrorModel(rows, candidates, is_final=True).errors(chosen)
    rng = np.random.default_rng(seed)
    chosen = np.array(sorted(chosen))
    chrom, cm = marker_map.chrom[chosen], marker_map.cm[chosen]
    order = np.lexsort((cm, chrom))
    chosen, chrom, cm = chosen[order], chrom[order], cm[order]
    meiosis = material.Meiosis(chrom, cm, rng)
    alleles = {str(name): genotypes.calls[i, chosen] // 2 for i, name in enumerate(genotypes.samples)}
    for row, errors in zip(rows, predicted, strict=True):
        cross = crosses[row.cross]
        use = row.code[chosen] > 0
        part = replace(cross, allele=cross.allele[:, chosen[use]])
        ratios = []
        for kind in ("clean", row.finding):
            lines = meiosis.lines(kind, trees[row.cross], cross.inducer, alleles, n_lines)
            calls = material.calls_of(lines, request.error_rate, request.dropout, rng)[:, use]
            ratios.append(judged(part, row.finding, calls, chrom[use], cm[use], request))
        seen = material.best_errors(*ratios, request.miss, request.false_fail)
        for guess, found, se in zip(
            (errors.miss, errors.false_fail), seen, (errors.miss_se, errors.false_fail_se), strict=True
        ):
            allowed = 4 * np.sqrt(max(guess, 2 / n_lines) / n_lines) + 0.02 * guess + 3 * se
            assert abs(guess - found) < allowed, (cross.label, row.finding, guess, found)
    return len(rows)


def real_parents():
    """Giraud et al. 2014, Genetics 198:1717-1734: real inbreds as parents of the donors, another one as inducer."""
    folder = Path(os.environ.get("DHVERIFY_DATA", Path(__file__).parents[3] / "shared" / "data"))
    if not folder.is_dir():
        pytest.skip("the open data are not there; set DHVERIFY_DATA to their folder")
    names = [*MALES, INDUCER]
    tables = [
        pd.read_csv(folder / f"maize_eunam_dent_F353x{name}.csv.gz", index_col=0, dtype=str, nrows=2) for name in names
    ]
    table = pd.concat([tables[0].iloc[:1], *(part.iloc[1:2] for part in tables)])
    cm = pd.read_csv(folder / "maize_eunam_dent_map.csv").set_index("marker").loc[table.columns]
    calls = np.where(table.isin(["1", "2"]).to_numpy(), 2 * (table == "2").to_numpy().astype(int), -1)
    genotypes = material.genotypes(list(table.index), calls, cm["chr"].to_numpy(), cm["cM"].to_numpy())
    rows = [Sample(name=INDUCER, role=Role.INDUCER)]
    rows += [Sample(name=f"D{male}", role=Role.DONOR, pedigree=f"F353/{male}") for male in MALES]
    return genotypes, SampleSheet(samples=tuple(rows)), [("F353", male) for male in MALES]
