from __future__ import annotations

import pytest

from dhverify.report.look import percent, span


@pytest.mark.parametrize(
    ("share", "text"),
    [(0.999999, "over 99.9 %"), (0.1, "10 %"), (0.0, "0 %"), (0.9949, "99.5 %"), (0.055, "5.5 %")],
)
def test_percent(share, text):
    assert percent(share) == text


def test_an_interval_that_is_not_known_is_empty():
    assert span(None, 0.2) == span(0.1, None) == ""
