"""Reading and writing of files: the doors of dhverify.

>>> from dhverify.formats import read_genotypes, read_samples
"""

from dhverify.formats.counts_reader import read_counts
from dhverify.formats.genotype_reader import LAYOUTS, read_genotypes
from dhverify.formats.limits_file import limits_text, read_limits
from dhverify.formats.map_reader import read_map
from dhverify.formats.sample_names import read_sample_names
from dhverify.formats.sheet_reader import read_samples
from dhverify.formats.sheet_template import sheet_from_genotypes
from dhverify.formats.vcf_writer import write_vcf

__all__ = [
    "LAYOUTS",
    "limits_text",
    "read_counts",
    "read_genotypes",
    "read_limits",
    "read_map",
    "read_sample_names",
    "read_samples",
    "sheet_from_genotypes",
    "write_vcf",
]
