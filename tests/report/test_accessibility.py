"""No page has a serious finding of the axe engine, which ships with a package of the test extra."""

from __future__ import annotations

import re
from importlib.resources import files
from importlib.util import find_spec

import pytest

from dhverify.api import choose_markers, plan_budget, read_genotypes, read_samples, simulate
from dhverify.report.page.rendering import asset

pytestmark = pytest.mark.skipif(find_spec("axe_playwright_python") is None, reason="axe is not installed")

SCHEMES = ("light", "dark")
RUN = """axe.run({
  runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
  resultTypes: ['violations'],
})"""
OPEN_ALL = "document.querySelectorAll('details').forEach((one) => { one.open = true; })"
OPEN_STORIES = "[...document.querySelectorAll('#lines-table .open')].slice(0, 3).forEach((one) => one.click())"


def violations(page):
    """Findings as (impact, rule, where first)."""
    page.evaluate(files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8"))
    found = page.evaluate(RUN)["violations"]
    return [(one["impact"], one["id"], one["nodes"][0]["html"][:200]) for one in found]


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_a_small_report_with_everything_open(opened, synthetic, scheme, width):
    outcome = synthetic.make_outcome(30)
    page = opened(outcome, color_scheme=scheme, bypass_csp=True, viewport={"width": width, "height": 844})
    page.evaluate(OPEN_ALL)
    page.evaluate(OPEN_STORIES)
    assert page.locator(".story").count() > 10
    assert violations(page) == []


@pytest.mark.parametrize("scheme", SCHEMES)
def test_a_report_of_a_thousand_lines(opened, synthetic, scheme):
    page = opened(synthetic.make_outcome(1000, n_markers=200), color_scheme=scheme, bypass_csp=True)
    page.evaluate(OPEN_STORIES)
    assert violations(page) == []


def test_a_report_without_javascript_is_marked_up_alike(opened, synthetic):
    page = opened(synthetic.make_outcome(30), bypass_csp=True)
    page.evaluate("document.getElementById('table-room').remove()")
    assert violations(page) == []


@pytest.fixture(scope="module")
def other_pages(tmp_path_factory):
    """The pages of a marker set and of a budget."""
    folder = tmp_path_factory.mktemp("pages")
    simulate(folder / "demo", n_donors=2, lines_per_donor=4, n_markers=120, seed=3)
    samples = read_samples(folder / "demo" / "samples.csv")
    genotypes = read_genotypes([folder / "demo" / "genotypes.vcf.gz"], sheet=samples)
    choose_markers(genotypes, samples).write(folder / "markers")
    rates = {"induction_rate": 0.1, "false_haploid_rate": 0.02, "missed_haploid_rate": 0.05}
    costs = {"kernel": 0.01, "seedling": 1.0, "plant": 4.0, "assay": 2.0, "unit": "hours"}
    plan_budget(50, survival=0.8, doubling=0.2, costs=costs, **rates).write(folder / "budget")
    return {name: (folder / name / "report.html").read_text(encoding="utf-8") for name in ("markers", "budget")}


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
@pytest.mark.parametrize("name", ["markers", "budget"])
def test_the_pages_of_the_planning_commands(opened_text, other_pages, name, scheme, width):
    viewport = {"width": width, "height": 844}
    page = opened_text(other_pages[name], color_scheme=scheme, bypass_csp=True, viewport=viewport)
    assert violations(page) == []


def test_the_engine_finds_what_is_wrong(opened_text):
    page = opened_text("<!DOCTYPE html><html><title>t</title><main><h1>h</h1><img src='data:,'></main></html>")
    assert {rule for _, rule, _ in violations(page)} >= {"html-has-lang", "image-alt"}


def palette(scheme):
    """The colours of the style sheet, by name."""
    light, dark = re.split(r"prefers-color-scheme: dark", asset("report.css"), maxsplit=1)
    return dict(re.findall(r"--([a-z-]+): (#\w{6});", light if scheme == "light" else dark.split("* {")[0]))


def luminance(colour):
    """Relative luminance, WCAG 2.2."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("ground", ["paper", "wash"])
def test_text_and_shapes_stand_out_from_their_ground(scheme, ground):
    colours = palette(scheme)
    for text in ("ink", "soft"):
        assert contrast(colours[text], colours[ground]) >= 4.5
    for shape in ("plum", "ochre-line"):
        assert contrast(colours[shape], colours[ground]) >= 3


def test_contrast_is_that_of_the_guideline():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)
