"""Print the accuracy table as Markdown: ``python tests/accuracy/report.py [--short] [--only TEXT] [seeds]``."""

from __future__ import annotations

import argparse
import sys
import time

from informed_judge import measured_informed
from measuring import Tally, measured
from msprime_suite import MSPRIME, measured_msprime
from scenarios import scenarios

from dhverify.intervals import wilson

COLUMNS = (
    "scenario",
    "bad lines not passed",
    "bad lines failed",
    "good lines not failed",
    "good lines passed",
    "right cause of bad lines",
    "retest",
    "segments found (5 or more informative)",
    "false segments a clean line",
    "donor named",
    "calibration error",
)


def share(count: int, of: int) -> str:
    """A share with its 95 % interval (Wilson 1927)."""
    if not of:
        return "-"
    low, high = wilson(count, of)
    return f"{count}/{of} = {count / of:.4f} ({float(low):.3f}-{float(high):.3f})"


def cells(counts: Tally) -> list[str]:
    """The cells of one row."""
    low, high = counts.ece_interval()
    return [
        share(counts.caught, counts.bad),
        share(counts.failed, counts.bad),
        share(counts.not_failed, counts.good),
        share(counts.passed, counts.good),
        share(counts.cause, counts.bad),
        share(counts.retest, counts.lines),
        share(counts.found_segments, counts.visible_segments),
        f"{counts.false_segments}/{counts.good} = {counts.false_segments / max(counts.good, 1):.4f}",
        share(counts.donor_named, counts.donors),
        f"{counts.ece:.4f} ({low:.3f}-{high:.3f})",
    ]


def details(name: str, counts: Tally) -> str:
    """What the row leaves out, and the confusions: (true finding, found, verdict)."""
    texts = [
        f"mixtures below what is promised, not passed: {counts.weak_mixtures_caught} of {counts.weak_mixtures}",
        f"failed wells, retest: {counts.failed_wells_retest} of {counts.failed_wells}",
    ]
    texts += [f"cannot be told, {finding}, {verdict}: {n}" for (finding, verdict), n in counts.apart.items()]
    texts += [
        f"{truth} found as {found}, {verdict}: {n}" for (truth, found, verdict), n in counts.confused.most_common(8)
    ]
    return f"- {name}: " + "; ".join(texts)


def main() -> None:
    """Print the table row by row, then what it leaves out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--only", default="", help="scenarios whose name holds this text")
    parser.add_argument("seeds", nargs="*", type=int, default=[101, 102, 103])
    options = parser.parse_args()
    rows = {s.name: lambda seeds, s=s: measured(s, seeds) for s in scenarios(is_short=options.short)}
    rows[MSPRIME.name] = measured_msprime
    for s in scenarios(is_short=options.short):
        if "SNPs" in s.name:
            rows[f"{s.name}, by a judge that is told everything"] = lambda seeds, s=s: measured_informed(s, seeds)
    notes, n_lines = [], 0
    print("| " + " | ".join(COLUMNS) + " |\n" + "| --- " * len(COLUMNS) + "|")  # noqa: T201
    for name, measure in rows.items():
        if options.only not in name:
            continue
        start = time.perf_counter()
        counts = measure(options.seeds)
        n_lines += counts.lines
        print("| " + " | ".join([name, *cells(counts)]) + " |", flush=True)  # noqa: T201
        notes.append(details(name, counts))
        sys.stderr.write(f"{name}: {time.perf_counter() - start:.0f} s; segments missed {counts.missed_segments}\n")
    print(f"\n{n_lines} lines; intervals at 95 %: Wilson, of the calibration error by bootstrap.\n")  # noqa: T201
    print("\n".join(notes))  # noqa: T201


if __name__ == "__main__":
    main()
