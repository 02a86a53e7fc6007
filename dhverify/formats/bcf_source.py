"""BCF as the lines of a VCF, by pysam (the extra ``bcf``)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dhverify.errors import Defect, FormatError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class BcfRecords:
    """A BCF file."""

    path: Path

    def lines(self) -> Iterator[bytes]:
        """Yield the lines of the same content as VCF, header first.

        Raises
        ------
        FormatError
            pysam is not installed, or the file is damaged.

        """
        pysam = _pysam(self.path)
        verbosity = pysam.set_verbosity(0)
        try:
            with pysam.VariantFile(str(self.path)) as records:
                for line in str(records.header).splitlines():
                    yield line.encode()
                for record in records:
                    yield str(record).rstrip("\n").encode()
        except (OSError, ValueError):
            expected = "a complete file: copy or download it again"
            defect = Defect(where="the file", found="damaged BCF data", expected=expected)
            raise FormatError(str(self.path), [defect]) from None
        finally:
            pysam.set_verbosity(verbosity)


def _pysam(path: Path) -> Any:
    try:
        import pysam
    except ImportError:
        expected = 'the extra that reads BCF: pip install "dhverify[bcf]"; or the same data as VCF'
        defect = Defect(where="the file", found="BCF, and pysam is not installed", expected=expected)
        raise FormatError(str(path), [defect]) from None
    return pysam
