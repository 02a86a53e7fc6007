"""Print the accuracy table: ``python tests/accuracy/report.py [seeds]``."""

from __future__ import annotations

import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

from scipy.stats import binomtest

spec = spec_from_file_location("scenarios", Path(__file__).with_name("scenarios.py"))
suite = module_from_spec(spec)
sys.modules["scenarios"] = suite
spec.loader.exec_module(suite)


def share(count: int, of: int) -> str:
    if not of:
        return "-"
    ends = binomtest(count, of).proportion_ci(method="wilson")
    return f"{count}/{of} ({ends.low:.3f}-{ends.high:.3f})"


def main() -> None:
    seeds = [int(x) for x in sys.argv[1:]] or [101, 102, 103]
    rows = ["| scenario | bad caught | good not failed | good passed | right cause | retest | false segments | ECE |"]
    rows.append("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for name in suite.SCENARIOS:
        t = suite.measured(name, seeds)
        cells = [share(t.caught, t.bad), share(t.not_failed, t.good), share(t.passed, t.good), share(t.cause, t.bad)]
        cells += [share(t.retest, t.lines), str(t.false_segments), f"{t.ece:.4f}"]
        rows.append(f"| {name} | " + " | ".join(cells) + " |")
        worst = sorted(t.confused.items(), key=lambda item: -item[1])[:3]
        rows.append(f"<!-- {name}: {worst} -->")
        sys.stdout.write("\n".join(rows) + "\n")
        rows = []
        sys.stdout.flush()


if __name__ == "__main__":
    main()
