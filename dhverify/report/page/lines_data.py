"""Every line as compact data inside the page; the script of the page draws rows and stories from it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

from dhverify.outcome import CheckOutcome, Finding, Flag, LineRow, Verdict
from dhverify.report.page.track_paths import TrackPaths
from dhverify.report.tables import extra_column_names, number_text, record_columns

if TYPE_CHECKING:
    from collections.abc import Iterable

_FINDINGS: Final = tuple(Finding)
_FLAGS: Final = tuple(Flag)
_VERDICTS: Final = (Verdict.FAIL, Verdict.RETEST, Verdict.PASS)

_NUMBERS: Final = (
    "confidence",
    "call_rate",
    "called_markers",
    "heterozygosity",
    "heterozygosity_low",
    "heterozygosity_high",
    "segregating_markers",
    "heterozygosity_segregating",
    "diagnostic_markers",
    "inducer_share",
    "inducer_share_low",
    "inducer_share_high",
    "donor_share",
    "foreign_share",
    "best_donor_fit",
    "inducer_segments",
    "inducer_segment_mb",
    "contaminant_share",
    "plants",
)
_TEXTS: Final = ("sample", "line", "reasons", "well", "source", "duplicate_group", "contaminant")
_POOLED: Final = ("stage", "donor", "inducer", "best_donor", "plate", "tissue")


def data_text(outcome: CheckOutcome) -> str:
    """Return the data as JSON that is safe inside a script element: no ``<``, ``>`` or ``&`` stands in it."""
    text = json.dumps(_data(outcome), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for mark in "<>&\u2028\u2029":
        text = text.replace(mark, f"\\u{ord(mark):04x}")
    return text


def _data(outcome: CheckOutcome) -> dict[str, Any]:
    pool = _Pool()
    paths = TrackPaths(outcome)
    pictures = {track.sample: paths.of(track) for track in outcome.tracks}
    rows = [_row(line, pool, outcome.extra_columns, pictures.get(line.sample)) for line in outcome.lines]
    return {
        "columns": [
            *_TEXTS,
            *_POOLED,
            "verdict",
            "finding",
            "flags",
            "parents",
            "extra",
            "picture",
            *_NUMBERS,
        ],
        "rows": rows,
        "pool": pool.texts,
        "verdicts": _VERDICTS,
        "findings": _FINDINGS,
        "flags": _FLAGS,
        "limits": dict(outcome.limits.items()),
        "extra": extra_column_names(outcome.extra_columns, taken=record_columns(LineRow)[0]),
        "stage": paths.layout(),
        "pairs": [
            [
                row.sample,
                row.other_sample,
                row.declared,
                row.same_genotype,
                _short(row.agreement),
                row.compared_markers,
                row.suggestion,
            ]
            for row in outcome.identity
        ],
        "segments": [
            [
                row.sample,
                row.chrom,
                _short(row.start_cm),
                _short(row.end_cm),
                row.start_bp,
                row.end_bp,
                row.origin,
                row.copies,
                row.markers,
                _short(row.confidence),
            ]
            for row in outcome.segments
        ],
    }


def _row(line: LineRow, pool: _Pool, extra_names: tuple[str, ...], picture: list[Any] | None) -> list[Any]:
    extra = dict(line.extra)
    return [
        *(getattr(line, name) for name in _TEXTS),
        *(pool.place(getattr(line, name)) for name in _POOLED),
        _VERDICTS.index(line.verdict),
        _FINDINGS.index(line.finding),
        [_FLAGS.index(flag) for flag in line.flags],
        [[pool.place(name), _short(share)] for name, share in line.parent_shares],
        [extra.get(name, "") for name in extra_names],
        picture,
        *_shorts(getattr(line, name) for name in _NUMBERS),
    ]


class _Pool:
    """Texts that many lines share, held once."""

    def __init__(self) -> None:
        self.texts: list[str] = []
        self._places: dict[str, int] = {}

    def place(self, text: str) -> int:
        """Return the place of a text, which is added if it is new."""
        if text not in self._places:
            self._places[text] = len(self.texts)
            self.texts.append(text)
        return self._places[text]


def _shorts(values: Iterable[float | None]) -> Iterable[float | None]:
    return (_short(value) for value in values)


def _short(value: float | None) -> float | None:
    """Return a number as the tables write it, so that page and tables agree."""
    return float(number_text(value)) if isinstance(value, float) else value
