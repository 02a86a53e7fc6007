"""Rates with their intervals, as rows with a small picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from dhverify.outcome import AccountRow, CheckOutcome, DonorRow

BAR_WIDTH: Final = 120
_SCALES: Final = (0.05, 0.1, 0.2, 0.5, 1.0)

MEASURE_WORDS: Final = {
    "wrong_lines": "lines that are not what their stage says",
    "hybrids_among_putative_haploids": "hybrids among putative haploids",
    "unresolved_lines": "lines that stay unresolved",
    "duplicate_lines": "lines that copy another",
    "inducer_segment_lines": "lines with an inducer segment",
    "uncoloured_kernels": "kernels without colour",
    "putative_haploid_rate": "putative haploids per kernel",
    "induction_rate": "induction rate (true haploids per kernel)",
    "survival": "survival of treated seedlings",
    "doubling_success": "doubling success (ears with seed per treated haploid)",
    "lines_per_kernel": "lines per kernel",
}
_ABOUT_DOUBLING: Final = frozenset({"survival", "doubling_success"})


@dataclass(frozen=True, kw_only=True)
class Bar:
    """An interval on a scale that begins at 0: places in drawing units, and the share at the right end."""

    low: float
    high: float
    at: float
    end: float


@dataclass(frozen=True, kw_only=True)
class DonorView:
    """A donor row with the bars of its shares."""

    row: DonorRow
    wrong: Bar | None
    hybrid: Bar | None


@dataclass(frozen=True, kw_only=True)
class RateView:
    """A row of the account in words."""

    row: AccountRow
    words: str
    count: str
    of: str
    bar: Bar | None


@dataclass(frozen=True, kw_only=True)
class AccountView:
    """The account: of the whole programme, then by group; and whether doubling is mentioned."""

    overall: tuple[RateView, ...]
    grouped: tuple[RateView, ...]
    is_about_doubling: bool


def donor_views(outcome: CheckOutcome) -> tuple[DonorView, ...]:
    """Return donor rows; all bars share one scale, so that donors compare."""
    shares = [row.wrong_share_high for row in outcome.donors] + [row.hybrid_share_high for row in outcome.donors]
    end = scale([share for share in shares if share is not None])
    return tuple(
        DonorView(
            row=row,
            wrong=bar(row.wrong_share, row.wrong_share_low, row.wrong_share_high, end),
            hybrid=bar(row.hybrid_share, row.hybrid_share_low, row.hybrid_share_high, end),
        )
        for row in outcome.donors
    )


def account_views(outcome: CheckOutcome) -> AccountView:
    """Return the account in words."""
    views = tuple(_rate_view(row) for row in outcome.account)
    return AccountView(
        overall=tuple(view for view in views if view.row.by == "all"),
        grouped=tuple(view for view in views if view.row.by != "all"),
        is_about_doubling=any(row.measure in _ABOUT_DOUBLING for row in outcome.account),
    )


def scale(shares: list[float]) -> float:
    """Return the right end of a scale that holds every share.

    Examples
    --------
    >>> scale([0.03, 0.12]), scale([])
    (0.2, 0.05)

    """
    return next(end for end in _SCALES if all(share <= end for share in shares) or end == _SCALES[-1])


def bar(value: float | None, low: float | None, high: float | None, end: float) -> Bar | None:
    """Place a value and its interval on a scale; None where there is no interval."""
    if value is None or low is None or high is None:
        return None
    at, left, right = (round(BAR_WIDTH * min(share / end, 1), 1) for share in (value, low, high))
    return Bar(low=left, high=right, at=at, end=end)


def _count_words(count: float) -> str:
    """Return a count for people; an expected one, which need not be whole, as near as it can be known.

    Examples
    --------
    >>> _count_words(6210), _count_words(107.36), _count_words(2.583)
    ('6,210', '107', '2.6')

    """
    return f"{count:.1f}" if count < 10 and count != int(count) else f"{count:,.0f}"


def _rate_view(row: AccountRow) -> RateView:
    high = [] if row.high is None else [row.high]
    return RateView(
        row=row,
        words=MEASURE_WORDS.get(row.measure, row.measure.replace("_", " ")),
        count="" if row.count is None else _count_words(row.count),
        of="" if row.of is None else _count_words(row.of),
        bar=bar(row.rate, row.low, row.high, scale(high)),
    )
