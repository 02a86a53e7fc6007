from __future__ import annotations

import builtins

import numpy as np
import pytest

from dhverify.errors import FormatError
from dhverify.formats import read_genotypes, read_sample_names

pysam = pytest.importorskip("pysam", reason="the extra bcf is not installed")

RECORDS = (
    "s1 s2 s3",
    "1 10 m1 A C GT:AD 0/1:5,7 1:0,9 0/.:3,0",
    "1 11 m2 A C,G GT:AD 0/2:1,2,3 2/2:0,0,9 ./.:.",
    "1 12 m3 A C GT:AD 0|0:4,0 ./././.:. 1|0:2,2",
)
META = (
    "##fileformat=VCFv4.3\n##contig=<ID=1>\n"
    '##FORMAT=<ID=GT,Number=1,Type=String,Description="g">\n'
    '##FORMAT=<ID=AD,Number=R,Type=Integer,Description="d">\n'
)


def as_bcf(path, target, mode="wb"):
    with (
        pysam.VariantFile(str(path)) as source,
        pysam.VariantFile(str(target), mode, header=source.header) as sink,
    ):
        for record in source:
            sink.write(record)
    return target


@pytest.fixture
def bcf(vcf, tmp_path):
    return as_bcf(vcf(*RECORDS, meta=META), tmp_path / "calls.bcf")


@pytest.mark.parametrize("mode", ["wb", "wb0"])
def test_bcf_and_vcf_hold_the_same(vcf, tmp_path, mode):
    plain = vcf(*RECORDS, meta=META)
    from_vcf = read_genotypes(plain)
    # told by its content, not by its name
    from_bcf = read_genotypes(as_bcf(plain, tmp_path / "anything", mode))
    np.testing.assert_array_equal(from_bcf.calls, from_vcf.calls)
    np.testing.assert_array_equal(from_bcf.depths, from_vcf.depths)
    np.testing.assert_array_equal(from_bcf.half_calls, from_vcf.half_calls)
    assert from_bcf.markers.name.tolist() == from_vcf.markers.name.tolist()
    assert from_bcf.calls.tolist() == [[1, 1, 0], [2, 2, -1], [-1, -1, 1]]


def by_pysam(path):
    """Allele pairs by an outside reader: {(chrom, pos, sample): alleles}."""
    with pysam.VariantFile(str(path)) as records:
        return {
            (record.chrom, record.pos, name): tuple(
                None if allele is None else record.alleles[allele] for allele in sample.get("GT", (None,))
            )
            for record in records
            for name, sample in record.samples.items()
        }


OUTSIDE = [
    "pyvcf3_example-4.0.vcf",
    "pyvcf3_freebayes.vcf",
    "pyvcf3_gatk.vcf",
    "pyvcf3_FT.vcf",
    "pyvcf3_uncalled_genotypes.vcf",
    "pyvcf3_example-4.1-ploidy.vcf",
    "hts_4.3_passed_body_samples.vcf",
    "hts_4.3_passed_ploidy_000.vcf",
    "hts_4.3_passed_ploidy_001.vcf",
    "pyvcf3_samples-space.vcf",
]


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("name", OUTSIDE)
def test_real_files_against_an_outside_reader(data, name):
    verbosity = pysam.set_verbosity(0)
    try:
        judge = by_pysam(data / name)
    finally:
        pysam.set_verbosity(verbosity)
    genotypes = read_genotypes(data / name)
    markers = genotypes.markers
    n_compared = 0
    for row, sample in enumerate(genotypes.samples):
        for column in range(genotypes.n_markers):
            alleles = judge[str(markers.chrom[column]), int(markers.pos_bp[column]), str(sample)]
            second = str(markers.second_allele[column])
            if None in alleles or len(alleles) > 2:
                expected = -1
            else:
                expected = sum(allele == second for allele in alleles) * (2 if len(alleles) == 1 else 1)
                assert set(alleles) <= {str(markers.first_allele[column]), second}
            assert genotypes.calls[row, column] == expected
            n_compared += 1
    assert n_compared == genotypes.calls.size > 0


def test_without_pysam_the_message_names_the_extra(bcf, monkeypatch):
    real_import = builtins.__import__

    def no_pysam(name, *args, **kwargs):
        if name == "pysam":
            raise ImportError(name)
        return real_import(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", no_pysam)
    with pytest.raises(FormatError, match=r'pip install "dhverify\[bcf\]"'):
        read_genotypes(bcf)


def test_damaged_bcf_is_one_plain_error(vcf, tmp_path):
    rng = np.random.default_rng(5)
    calls = rng.choice(["0/0", "0/1", "1/1"], size=(4000, 30))
    records = [f"1 {i + 1} m{i} A C GT " + " ".join(row) for i, row in enumerate(calls)]
    path = as_bcf(vcf(" ".join(f"s{i}" for i in range(30)), *records, meta=META), tmp_path / "cut.bcf")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(FormatError, match="copy or download it again"):
        read_genotypes(path)


def test_bcf_is_no_table(bcf):
    with pytest.raises(FormatError, match="a BCF"):
        read_genotypes(bcf, layout="wide")


def test_sample_names_of_a_bcf(bcf):
    assert read_sample_names(bcf) == ("s1", "s2", "s3")
