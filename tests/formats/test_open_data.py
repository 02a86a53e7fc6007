"""Real data. Sources and licences: tests/data/LICENSES.md; GPL files are read from DHVERIFY_DATA."""

from __future__ import annotations

import csv
import gzip

import numpy as np
import pytest

from dhverify.formats import read_genotypes, read_map, read_samples
from dhverify.formats.vcf_calls import CallKind, parse_genotypes


def tally(calls):
    """Return homozygous reference, heterozygous, homozygous alternate, missing."""
    return tuple(int(np.sum(calls == call)) for call in (0, 1, 2, -1))


def row_of(genotypes, sample):
    return genotypes.calls[genotypes.sample_index()[sample]]


def raw_fields(path):
    """The GT fields of a VCF, by a naive reader: {sample: fields}, multiallelic records included."""
    lines = [line.rstrip("\n").split("\t") for line in path.read_text().splitlines() if not line.startswith("##")]
    header, records = lines[0], lines[1:]
    fields = {name: [] for name in header[9:]}
    for record in records:
        keys = record[8].split(":")
        for name, value in zip(header[9:], record[9:], strict=True):
            fields[name].append(value.split(":")[keys.index("GT")] if "GT" in keys else ".")
    return fields


def tally_of_all(path, sample):
    """Hom ref, het, hom alt and missing over every record, before sites with three alleles are set aside."""
    kind, first, second = parse_genotypes(np.array(raw_fields(path)[sample], dtype="S8"))
    is_call = kind == CallKind.CALL
    is_het = is_call & (first != second)
    counts = (is_call & ~is_het & (first == 0), is_het, is_call & ~is_het & (first > 0), ~is_call)
    return tuple(int(count.sum()) for count in counts)


@pytest.mark.parametrize(
    ("name", "sample", "counts"),
    [
        ("pyvcf3_example-4.0.vcf", "NA00001", (3, 1, 1, 1)),
        ("pyvcf3_example-4.0.vcf", "NA00002", (2, 4, 0, 0)),
        ("pyvcf3_example-4.0.vcf", "NA00003", (3, 0, 3, 0)),
        ("pyvcf3_freebayes.vcf", "BLANK", (17, 68, 8, 11)),
        ("pyvcf3_freebayes.vcf", "NA12878", (16, 76, 12, 0)),
        ("pyvcf3_gatk.vcf", "BLANK", (16, 14, 3, 4)),
    ],
)
def test_calls_of_real_vcf(data, name, sample, counts):
    """Every record, multiallelic ones included; what is kept differs by the sites that are set aside only."""
    path = data / name
    assert tally_of_all(path, sample) == counts
    genotypes = read_genotypes(path)
    assert genotypes.n_markers + len(genotypes.set_aside) == sum(counts)
    kept = tally(row_of(genotypes, sample))
    assert all(a <= b for a, b in zip(kept, counts, strict=True))
    if not genotypes.set_aside:
        assert kept == counts


def test_sites_with_three_alleles_among_the_samples_are_set_aside(data):
    genotypes = read_genotypes(data / "pyvcf3_example-4.0.vcf")
    assert [marker.name for marker in genotypes.set_aside] == ["microsat1"]
    # 20:1110696 A>G,T: only G and T occur
    assert genotypes.markers.first_allele.tolist()[2] == "G"
    assert genotypes.markers.second_allele.tolist()[2] == "T"
    assert genotypes.calls[:, 2].tolist() == [1, 1, 2]


def test_haploid_file(data):
    genotypes = read_genotypes(data / "pyvcf3_FT.vcf")
    assert genotypes.calls.shape == (5, 10)
    assert tally(genotypes.calls[0]) == (3, 0, 7, 0)
    assert np.all(genotypes.calls >= 0)
    assert not np.any(genotypes.calls == 1)
    assert genotypes.depths is not None
    assert genotypes.depths[0, 0].tolist() == [0, 166]


@pytest.mark.parametrize(
    ("name", "calls"),
    [
        ("pyvcf3_example-4.1-ploidy.vcf", [[0, 0], [1, 2], [-1, 0]]),
        ("hts_4.3_passed_ploidy_000.vcf", [[-1, 0], [1, 1]]),
        ("hts_4.3_passed_ploidy_001.vcf", [[0, 0, 0, 0], [2, -1, 2, 2]]),
    ],
)
def test_mixed_ploidy(data, name, calls):
    genotypes = read_genotypes(data / name)
    assert genotypes.calls.tolist() == calls
    assert any("1 call of three or more alleles" in warning for warning in genotypes.warnings)


def test_records_without_genotypes_and_one_name_for_all(data):
    genotypes = read_genotypes(data / "hts_4.3_passed_body_samples.vcf")
    assert genotypes.calls.tolist() == [[0, -1, 1, -1], [1, -1, 1, -1]]
    assert genotypes.markers.name.tolist() == [f"rs180734498_1_{pos}" for pos in (100, 200, 300, 600)]
    assert len(genotypes.set_aside) == 2


def test_names_with_spaces(data):
    genotypes = read_genotypes(data / "pyvcf3_samples-space.vcf")
    assert genotypes.samples.tolist() == ["NA 00001", "NA 00002", "NA 00003"]
    assert genotypes.calls.tolist() == [[0, 0], [1, 1], [-1, -1]]


def test_half_calls_of_a_real_file(data):
    genotypes = read_genotypes(data / "pyvcf3_uncalled_genotypes.vcf")
    assert genotypes.half_calls.tolist() == [1, 1, 0]
    assert genotypes.calls.tolist() == [[0, -1, -1], [-1, 1, -1], [2, 0, -1]]


def test_site_without_alternate_of_a_real_file(data):
    genotypes = read_genotypes(data / "pyvcf3_null_genotype_mono.vcf")
    assert genotypes.calls.tolist() == [[-1]]
    assert genotypes.markers.name.tolist() == ["chr1_65312657"]


def test_barley_lines(data, write):
    """Hayes et al. 1993, Theor Appl Genet 87:392-401: 150 lines x 223 markers, het 0, missing 4.0 %."""
    lines = [f"SM{i}" for i in range(1, 400)]
    sheet = read_samples(
        write(
            "sheet.csv",
            "sample,role,stage,donor,pedigree\nSteptoe,parent,,,\nMorex,parent,,,\nF1,donor,,,Steptoe/Morex\n"
            + "".join(f"{line},line,D1,F1,\n" for line in lines),
        )
    )
    genotypes = read_genotypes(data / "barley_steptoe_morex_rflp_dh.csv.gz", coding="parents", sheet=sheet)
    is_line = ~np.isin(genotypes.samples, ["Steptoe", "Morex"])
    calls = genotypes.calls[is_line]
    assert calls.shape == (150, 223)
    assert not np.any(calls == 1)
    assert round(float(np.mean(calls < 0)), 3) == 0.040
    assert np.all(row_of(genotypes, "Steptoe") == 0)
    assert np.all(row_of(genotypes, "Morex") == 2)
    one, other = row_of(genotypes, "SM160"), row_of(genotypes, "SM161")
    both = (one >= 0) & (other >= 0)
    differ = genotypes.markers.name[both & (one != other)]
    assert both.sum() == 200
    assert set(differ.tolist()) == {"dRcs1", "ABC322B"}
    markers = read_map(data / "barley_steptoe_morex_rflp_map.csv").by_marker
    assert set(genotypes.markers.name.tolist()) <= set(markers)


def naive_table(path):
    """Rows of a table by the standard library."""
    with gzip.open(path, "rt", newline="") as stream:
        return list(csv.reader(stream))


@pytest.mark.parametrize(
    ("name", "coding", "n_samples", "n_markers"),
    [
        ("maize_eunam_dent_F353xB73.csv.gz", "alleles", 64 + 2, 1937),
        ("maize_eunam_dent_F353xF252.csv.gz", "alleles", 96 + 2, 1937),
        ("wheat_mapDH_dh.csv.gz", "parents", 218, 599),
        ("barley_mapBCu_backcross.csv.gz", "auto", 326, 3023),
        ("mouse_listeria_f2.csv.gz", "auto", 120, 131),
        ("simulated_mapthis_f2.csv.gz", "auto", 300, 100),
        ("maize_usnam_ril.csv.gz", "auto", 506, 102),
        ("maize_eunam_flint_100snp_dosage.csv.gz", "auto", 483, 100),
    ],
)
def test_open_tables_against_a_naive_reader(open_data, name, coding, n_samples, n_markers):
    genotypes = read_genotypes(open_data / name, coding=coding)
    assert genotypes.calls.shape == (n_samples, n_markers)
    rows = naive_table(open_data / name)
    skipped = 2 if rows[0][1] == "cross" else 1
    assert genotypes.samples.tolist() == [row[0] for row in rows[1:]]
    assert genotypes.markers.name.tolist() == rows[0][skipped:]
    missing = {"", "-", "NA"}
    texts = np.array([row[skipped:] for row in rows[1:]])
    np.testing.assert_array_equal(genotypes.calls < 0, np.isin(texts, list(missing)))
    is_het = np.array(
        [[text == "H" or (len(text) == 2 and text[0] != text[1] and text != "NA") for text in row] for row in texts]
    )
    if skipped == 2:
        is_het = texts == "1"
    np.testing.assert_array_equal(genotypes.calls == 1, is_het)


@pytest.mark.parametrize(
    ("name", "n_parents", "het", "called"),
    [
        ("onemap_vcf_example_f2.vcf.gz", 2, 2017, 4287),
        ("onemap_vcf_example_bc.vcf.gz", 2, 1519, 3088),
        ("onemap_vcf_example_riself.vcf.gz", 2, 0, 2213),
        ("onemap_simu_cod_f2.vcf.gz", 3, 5304, 10800),
    ],
)
def test_heterozygosity_of_open_vcf(open_data, name, n_parents, het, called):
    calls = read_genotypes(open_data / "vcf" / name).calls[n_parents:]
    assert (int(np.sum(calls == 1)), int(np.sum(calls >= 0))) == (het, called)


def test_crosses_of_maize_join_to_one(open_data):
    """Five files with the common parent in each: F353 is given again, so the later copies are refused."""
    from dhverify.errors import FormatError

    files = sorted(open_data.glob("maize_eunam_dent_F353x*.csv.gz"))
    assert len(files) == 5
    with pytest.raises(FormatError, match=r"sample F353, markers .* and 1932 more: found calls given twice"):
        read_genotypes(files, coding="alleles")
