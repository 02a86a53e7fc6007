"""One self-contained page for people: ``report.html``."""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING, Any

from dhverify.cautions import DOUBLING_CAUTION, PLOIDY_CAUTION
from dhverify.limits import limit_infos
from dhverify.report.advice import donor_advice
from dhverify.report.counting import verdict_counts
from dhverify.report.page import groups, lines_data, piles, plates, rates, sentences
from dhverify.report.page.lot_picture import lot_picture
from dhverify.report.page.rendering import asset, rendered

if TYPE_CHECKING:
    from dhverify.outcome import CheckOutcome


def page_text(outcome: CheckOutcome) -> str:
    """Return the whole page as HTML, which asks for nothing from elsewhere.

    The same outcome gives the same text.

    Parameters
    ----------
    outcome
        What a check found.

    """
    found = piles.piles(outcome)
    script = asset("report.js")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return rendered(
        "report.html.j2",
        **_common(outcome),
        script=script,
        script_digest=digest,
        data=lines_data.data_text(outcome),
        piles=found,
        told_at=piles.told_at(found),
        donors=rates.donor_views(outcome),
        advice=donor_advice(outcome),
        account=rates.account_views(outcome),
        plates=plates.plate_views(outcome),
        copies=groups.copies(outcome),
        mismatches=groups.mismatches(outcome),
        identity_sentence=groups.identity_sentence(outcome),
        doubtful=groups.doubtful_references(outcome),
        set_aside=groups.set_aside(outcome),
        blind=sentences.blind_spots(outcome),
        limits=_limit_rows(outcome),
    )


def notebook_text(outcome: CheckOutcome) -> str:
    """Return the answer and the lines to look at, as an HTML fragment for a notebook."""
    return rendered("notebook.html.j2", **_common(outcome), lines=sentences.lines_to_look_at(outcome))


def _common(outcome: CheckOutcome) -> dict[str, Any]:
    return {
        "outcome": outcome,
        "counts": verdict_counts(outcome),
        "answer": sentences.answer(outcome),
        "more": sentences.answer_continued(outcome),
        "todo": sentences.to_do(outcome),
        "lot": lot_picture(verdict_counts(outcome)),
        "doubling_caution": DOUBLING_CAUTION,
        "ploidy_caution": PLOIDY_CAUTION,
    }


def _limit_rows(outcome: CheckOutcome) -> list[tuple[Any, float]]:
    return [(info, getattr(outcome.limits, info.name)) for info in limit_infos()]
