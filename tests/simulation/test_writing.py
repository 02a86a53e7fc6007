"""The files: same seed, same bytes; what is written is what was invented."""

import csv
import gzip
import io
import struct

import numpy as np
import pytest

from dhverify.simulation import SEVEN_CHROMOSOMES, SimulationSettings, simulate_programme, write_programme
from dhverify.simulation.writing import FILES, programme_files

INTERFACE_SHEET = [
    *(
        "sample",
        "role",
        "stage",
        "donor",
        "inducer",
        "pedigree",
        "line",
        "source",
        "tissue",
        "plants",
        "plate",
    ),
    "well",
]
INTERFACE_TRUTH = ["sample", "finding", "donor", "copy_of", "segments", "contaminant", "contaminant_share"]
INTERFACE_COUNTS = [
    *("kernels", "uncoloured", "hybrids", "putative_haploids", "treated", "transplanted", "survived"),
    *("selfed", "d1_ears"),
]
RICH = {
    "stage": "both",
    "lines_per_donor": 20,
    "n_markers": 150,
    "mixture_share": 0.05,
    "segment_share": 0.05,
    "duplicate_share": 0.05,
    "unplaced_share": 0.05,
    "all_het_markers": 0.02,
    "turned_plates": 1,
    "known_lines": 1,
}


def programme_of(seed=1, **changes):
    return simulate_programme(SimulationSettings(**{**RICH, **changes}), np.random.default_rng(seed))


@pytest.mark.parametrize("platform", ["array", "reads"])
def test_same_seed_same_bytes(tmp_path, platform):
    write_programme(programme_of(platform=platform), tmp_path / "a", with_map=True)
    write_programme(programme_of(platform=platform), tmp_path / "b", with_map=True)
    for name in FILES:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    other = programme_files(programme_of(seed=2, platform=platform))
    assert other["genotypes.vcf.gz"] != (tmp_path / "a" / "genotypes.vcf.gz").read_bytes()
    assert sorted(path.name for path in (tmp_path / "a").iterdir()) == sorted(FILES)


def test_the_gzip_header_holds_no_time_and_no_name(tmp_path):
    write_programme(programme_of(), tmp_path)
    head = (tmp_path / "genotypes.vcf.gz").read_bytes()[:10]
    assert head[:2] == b"\x1f\x8b"
    assert head[3] == 0
    assert struct.unpack("<I", head[4:8]) == (0,)


def rows_of(content):
    return list(csv.DictReader(io.StringIO(content.decode("utf-8"), newline="")))


def test_tables_have_the_columns_in_order():
    files = programme_files(programme_of())
    header = {
        name: content.decode().split("\n", 1)[0].split(",") for name, content in files.items() if name[-3:] == "csv"
    }
    assert header["samples.csv"][:12] == INTERFACE_SHEET
    assert header["samples.csv"][12:] == ["expected", "sorter", "ear", "season"]
    assert header["truth.csv"][:7] == INTERFACE_TRUTH
    assert header["counts.csv"] == ["donor", "inducer", "sorter", *INTERFACE_COUNTS]
    assert "map.csv" not in files
    assert all(b"\r" not in content for name, content in files.items() if name[-3:] == "csv")


def test_truth_has_a_row_for_each_line():
    programme = programme_of()
    files = programme_files(programme)
    lines = [row["sample"] for row in rows_of(files["samples.csv"]) if row["role"] == "line"]
    assert [row["sample"] for row in rows_of(files["truth.csv"])] == lines
    others = rows_of(files["truth_others.csv"])
    not_lines = [row["sample"] for row in programme.sheet if row["role"] != "line"]
    kinds = ("plate", "marker")
    assert [row["name"] for row in others if row["kind"] not in kinds] == not_lines
    assert sum(row["kind"] == "marker" for row in others) == 3
    assert [row["case"] for row in others if row["kind"] == "plate"].count("turned") == 1


def vcf_of(programme):
    text = gzip.decompress(programme_files(programme)["genotypes.vcf.gz"]).decode()
    assert text.endswith("\n")
    lines = text.rstrip("\n").split("\n")
    start = next(i for i, line in enumerate(lines) if line.startswith("#CHROM"))
    return lines[:start], lines[start].split("\t"), [line.split("\t") for line in lines[start + 1 :]]


@pytest.mark.parametrize("platform", ["array", "reads"])
def test_the_vcf_holds_calls_and_depths(platform):
    programme = programme_of(platform=platform)
    meta, header, records = vcf_of(programme)
    assert meta[0] == "##fileformat=VCFv4.3"
    assert header[9:] == programme.samples.tolist()
    codes = {"0/0": 0, "0/1": 1, "1/1": 2, "./.": -1}
    fields = np.array([record[9:] for record in records])
    calls = np.vectorize(lambda text: codes[text.split(":")[0]])(fields)
    assert (programme.calls == calls.T).all()
    assert {record[8] for record in records} == {"GT" if platform == "array" else "GT:AD"}
    if platform == "reads":
        depths = np.vectorize(lambda text: text.split(":")[1], otypes=[object])(fields)
        read = np.array([[list(map(int, cell.split(","))) for cell in row] for row in depths])
        assert (read.transpose(1, 0, 2) == programme.depths).all()
    places = [(record[0], int(record[1])) for record in records]
    expected = zip(programme.markers.chrom.tolist(), programme.markers.pos_bp.tolist(), strict=True)
    assert places == [(chrom, pos) if chrom else ("0", 0) for chrom, pos in expected]
    assert all(record[3] != record[4] for record in records)


def test_contigs_follow_the_genome():
    meta, _, records = vcf_of(programme_of(chromosomes=SEVEN_CHROMOSOMES, chromosome_prefix="chr", unplaced_share=0.0))
    contigs = [line for line in meta if line.startswith("##contig")]
    assert contigs[0] == "##contig=<ID=chr1H,length=520000000>"
    assert len(contigs) == 7
    assert {record[0] for record in records} <= {f"chr{i}H" for i in range(1, 8)}


def test_the_map_is_the_true_one(tmp_path):
    programme = programme_of(misplaced_markers=0.1)
    write_programme(programme, tmp_path, with_map=True)
    rows = rows_of((tmp_path / "map.csv").read_bytes())
    assert [row["marker"] for row in rows] == programme.markers.name.tolist()
    assert [row["chrom"] for row in rows] == programme.markers.true_chrom.tolist()
    assert np.allclose([float(row["cm"]) for row in rows], programme.markers.true_cm, atol=1e-4)


def test_arrays_are_locked():
    programme = programme_of(platform="reads")
    for array in (
        programme.calls,
        programme.depths,
        programme.fraction,
        programme.samples,
        programme.markers.pos_bp,
    ):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = array[1]


def test_the_package_reads_what_the_simulator_writes(tmp_path):
    from dhverify.formats import read_genotypes, read_samples

    programme = programme_of(platform="reads", n_inducers=2, inducer_type="hybrid", exchanged_pairs=1)
    write_programme(programme, tmp_path)
    sheet = read_samples(tmp_path / "samples.csv")
    assert [sample.name for sample in sheet] == [row["sample"] for row in programme.sheet]
    assert sheet.warnings == ()
    assert sheet.extra_columns == ("sorter", "ear", "season")
    genotypes = read_genotypes([tmp_path / "genotypes.vcf.gz"])
    assert (genotypes.calls == programme.calls).all()
    assert (genotypes.depths == programme.depths).all()
    assert genotypes.markers.name.tolist() == programme.markers.name.tolist()
    assert genotypes.set_aside == ()
