"""Lots for the tests of identity: open data read by small loaders, and invented programmes.

Sources and licences of the open data: tests/data/LICENSES.md and the folder that DHVERIFY_DATA names.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from simulated_lots import as_input, disguised, programme_of

from dhverify.analysis import analyse
from dhverify.declared_identity import declared_groups
from dhverify.genetic_map import MarkerMap, place_markers
from dhverify.genotypes import Genotypes, Markers
from dhverify.identity import judge_identity
from dhverify.limits import Limits
from dhverify.lot import assemble
from dhverify.samples import Role, Sample, SampleSheet, Stage

HERE = Path(__file__).parent
DATA = Path(os.environ.get("DHVERIFY_DATA", HERE.parents[1] / "shared" / "data"))
LETTERS = {"A": 0, "B": 2, "H": 1, "-": -1}
MAIZE_CROSSES = ("B73", "D06", "EC169", "F252", "Mo17")
RIL_PARENTS = {"Z002": "CML103", "Z006": "CML322", "Z008": "CML52", "Z010": "Hp301", "Z016": "M37W"}
EXCHANGED = "label exchanged with "
FLINT_PARENTS = ("D152", "F03802", "F2", "F283", "DK105")


def data_file(name):
    path = DATA / name
    if not path.is_file():
        pytest.skip(f"{name} is not there: set DHVERIFY_DATA to the folder with the open data sets")
    return path


class Trial:
    """A lot with its sheet, and what is found of identities in it."""

    def __init__(self, names, calls, samples, *, chrom=None, cm=None, limits=None):
        n_markers = np.shape(calls)[1]
        self.chrom = np.array([""] * n_markers if chrom is None else list(chrom), dtype=np.str_)
        self.cm = np.array(np.full(n_markers, np.nan) if cm is None else cm, dtype=np.float64)
        self.names, self.calls = list(names), np.array(calls, dtype=np.int8)
        self.samples = list(samples)
        self.limits = limits or Limits()

    def with_markers(self, chosen):
        return Trial(
            self.names,
            self.calls[:, chosen],
            self.samples,
            chrom=self.chrom[chosen],
            cm=self.cm[chosen],
            limits=self.limits,
        )

    def with_sample(self, sample, calls):
        return Trial(
            [*self.names, sample.name],
            np.vstack([self.calls, calls]),
            [*self.samples, sample],
            chrom=self.chrom,
            cm=self.cm,
            limits=self.limits,
        )

    def changed(self, **changes):
        """The same with other sheet columns: ``name={column: value}``."""
        named = {name.replace("_", "-"): values for name, values in changes.items()}
        samples = [
            Sample(**({f: getattr(s, f) for f in s.__dataclass_fields__} | named.get(s.name, {}))) for s in self.samples
        ]
        return Trial(self.names, self.calls, samples, chrom=self.chrom, cm=self.cm, limits=self.limits)

    def row(self, name):
        return self.calls[self.names.index(name)]

    def lot(self):
        n = len(self.chrom)
        markers = Markers(
            name=np.array([f"m{k}" for k in range(n)]),
            chrom=self.chrom,
            pos_bp=np.full(n, -1),
            cm=self.cm,
            first_allele=np.full(n, "A"),
            second_allele=np.full(n, "B"),
        )
        genotypes = Genotypes(
            samples=np.array(self.names),
            markers=markers,
            calls=self.calls.copy(),
            half_calls=np.zeros(len(self.names), dtype=np.int64),
        )
        marker_map = MarkerMap(chrom=self.chrom, cm=self.cm, description="as published")
        sheet = SampleSheet(samples=tuple(self.samples))
        return assemble(genotypes, sheet, marker_map), sheet

    def analysed(self):
        lot, sheet = self.lot()
        analysis = analyse(lot, sheet)
        return analysis.lot, analysis, sheet

    def found(self):
        return judge_identity(*self.analysed(), self.limits)


def line(name, donor, **columns):
    return Sample(name=name, role=Role.LINE, donor=donor, **({"stage": Stage.D1} | columns))


def pairs_of(found, declared="none"):
    return {frozenset({r.sample, r.other_sample}) for r in found.rows if r.declared == declared}


def row_of(found, one, two):
    return next(r for r in found.rows if {r.sample, r.other_sample} == {one, two})


def groups_of(found):
    groups = {}
    for name, label in found.duplicate_group.items():
        groups.setdefault(label, set()).add(name)
    return {frozenset(group) for group in groups.values()}


def lettered(path, map_path=None, *, parents=True):
    """Lines of one cross of two parents, coded A, B, H; the parents stand in as A and B throughout."""
    frame = pd.read_csv(path, index_col=0)
    names = [str(name) for name in frame.index]
    calls = frame.map(LETTERS.get).to_numpy(dtype=np.int8)
    samples = [Sample(name="D", role=Role.DONOR, pedigree="P1/P2"), *(line(name, "D") for name in names)]
    if parents:
        calls = np.vstack([np.zeros(calls.shape[1], dtype=np.int8), np.full(calls.shape[1], 2, dtype=np.int8), calls])
        samples = [Sample(name=name, role=Role.PARENT) for name in ("P1", "P2")] + samples
        names = ["P1", "P2", *names]
    if map_path is None:
        return Trial(names, calls, samples)
    places = pd.read_csv(map_path, index_col=0).loc[frame.columns]
    return Trial(names, calls, samples, chrom=places.iloc[:, 0].astype(str), cm=places.iloc[:, 1])


def steptoe_morex():
    """Barley DH lines, RFLP (Hayes et al. 1993, Theor Appl Genet 87:392-401)."""
    folder = HERE / "data"
    return lettered(folder / "barley_steptoe_morex_rflp_dh.csv.gz", folder / "barley_steptoe_morex_rflp_map.csv")


def maize():
    """Maize DH lines of five crosses with F353 (Bauer et al. 2013, Genome Biol 14:R103)."""
    places = pd.read_csv(data_file("maize_eunam_dent_map.csv")).set_index("marker")
    rows, samples = {}, []
    for cross in MAIZE_CROSSES:
        frame = pd.read_csv(data_file(f"maize_eunam_dent_F353x{cross}.csv.gz"), index_col=0, na_values=["NA"])
        places = places.loc[[m for m in places.index if m in frame.columns]]
        samples.append(Sample(name=f"F353x{cross}", role=Role.DONOR, pedigree=f"F353/{cross}"))
        for number, name in enumerate(frame.index):
            if number > 1:
                samples.append(line(name, f"F353x{cross}"))
            elif name not in rows:
                samples.append(Sample(name=name, role=Role.PARENT))
            rows.setdefault(name, frame.loc[name] if number > 1 else frame.iloc[number])
    table = pd.DataFrame(rows).T[places.index].to_numpy(dtype=np.float64)
    calls = np.where(np.isnan(table), -1, np.rint((table - 1) * 2)).astype(np.int8)
    return Trial(list(rows), calls, samples, chrom=places["chr"].astype(str), cm=places["cM"])


def maize_ril():
    """Maize recombinant inbreds at SNPs of two chromosomes (McMullen et al. 2009, Science 325:737-740)."""
    frame = pd.read_csv(data_file("maize_usnam_ril.csv.gz"), index_col=0)
    places = pd.read_csv(data_file("maize_usnam_map.csv"), index_col=0).loc[frame.columns]
    calls = np.full(frame.shape, -1, dtype=np.int8)
    for column, marker in enumerate(frame.columns):
        second = max("".join(frame[marker].dropna()))
        calls[:, column] = [-1 if pd.isna(call) else call.count(second) for call in frame[marker]]
    names = list(frame.index)
    samples = [Sample(name=name, role=Role.PARENT) for name in names[:6]]
    samples += [Sample(name=donor, role=Role.DONOR, pedigree=f"B73/{p}") for donor, p in RIL_PARENTS.items()]
    samples += [line(name, name[:4]) for name in names[6:]]
    return Trial(names, calls, samples, chrom=places["chr"].astype(str), cm=places["pos.cM"])


def maize_flint():
    """Maize DH lines of five crosses with UH007 at 100 SNPs (Bauer et al. 2013, Genome Biol 14:R103).

    Which dosage is which parent's allele is not printed; the donors' parents are left untyped.
    """
    frame = pd.read_csv(data_file("maize_eunam_flint_100snp_dosage.csv.gz"), index_col=0)
    cross = frame.pop("cross")
    places = pd.read_csv(data_file("maize_eunam_flint_100snp_parents.csv"), index_col=0).loc[frame.columns]
    parents = dict(zip(sorted(cross.unique()), FLINT_PARENTS, strict=True))
    samples = [Sample(name=donor, role=Role.DONOR, pedigree=f"UH007/{p}") for donor, p in parents.items()]
    samples += [line(name, donor) for name, donor in cross.items()]
    calls = frame.fillna(-1).to_numpy(dtype=np.int8)
    return Trial(list(frame.index), calls, samples, chrom=places["chr"].astype(str), cm=places["pos.cM"])


class Invented:
    """An invented programme with its truth, and what is found of identities in it."""

    def __init__(self, *, seed=1, is_disguised=False, **settings):
        programme = programme_of(seed=seed, **settings)
        genotypes, self.sheet = as_input(programme)
        self.truth = {row["sample"]: row for row in programme.truth}
        if is_disguised:
            genotypes, self.sheet, new = disguised(genotypes, self.sheet, seed)
            self.truth = {new[name]: _renamed(row, new) for name, row in self.truth.items()}
        lot = assemble(genotypes, self.sheet, place_markers(genotypes.markers, None))
        self.analysis = analyse(lot, self.sheet)
        self.lot = self.analysis.lot
        self.found = judge_identity(self.lot, self.analysis, self.sheet, Limits())

    def copies(self):
        """True undeclared pairs of one genotype, copies of known lines included."""
        known = {sample.name for sample in self.sheet.with_role(Role.KNOWN)}
        holders = {}
        for name, row in self.truth.items():
            holders.setdefault(row["genotype"], []).append(name)
        pairs = {frozenset({a, b}) for names in holders.values() for a in names for b in names if a != b}
        return pairs | {frozenset({n, r["copy_of"]}) for n, r in self.truth.items() if r["copy_of"] in known}

    def exchanged(self):
        """True pairs of exchanged labels."""
        return {
            frozenset({name, row["case"].removeprefix(EXCHANGED)})
            for name, row in self.truth.items()
            if row["case"].startswith(EXCHANGED)
        }

    def undeclared_copies(self):
        """True copies that the sheet does not declare, of samples that are called at all."""
        groups = declared_groups(self.sheet)
        return {pair for pair in self.copies() if len({groups.root(name) for name in pair}) == 2}


def _renamed(row, new):
    """A row of the truth where samples go by other names."""
    case = row["case"]
    if case.startswith(EXCHANGED):
        case = EXCHANGED + new[case.removeprefix(EXCHANGED)]
    return {**row, "case": case, "copy_of": new.get(row["copy_of"], row["copy_of"])}
