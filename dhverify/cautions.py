"""What has to be said wherever chemical doubling is mentioned."""

from __future__ import annotations

from typing import Final

DOUBLING_CAUTION: Final = (
    "Colchicine is highly toxic and stops cell division. Work with it is for trained staff only, with"
    " protective clothing, gloves, eye and breathing protection, and closed, labelled storage; waste goes to"
    " an authorised disposer, never to drain or field. The supplier's safety sheet, the institution's safety"
    " office and local law override anything printed here."
)
"""Printed beside every figure or sentence about doubling; this program gives no recipe."""

PLOIDY_CAUTION: Final = (
    "Markers cannot see ploidy: a haploid plant and a doubled-haploid line are both one clean gamete of the"
    " donor, and which of the two is written down is what the stage on the sample sheet says."
)
"""Said once in a report: what the findings haploid and doubled haploid rest on."""
