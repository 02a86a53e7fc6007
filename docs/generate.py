"""Write the reference pages that follow the code: commands, columns, limits, criteria.

``python docs/generate.py`` writes them; with ``--check`` it writes nothing and exits 1 if a page is stale.
"""

from __future__ import annotations

import sys
from dataclasses import fields
from pathlib import Path

import click

from dhverify import outcome
from dhverify.cli.main import cli
from dhverify.criteria import CRITERIA
from dhverify.limits import limit_infos
from dhverify.report.tables import TABLE_RECORDS

HERE = Path(__file__).parent / "reference"
COLUMNS = Path(__file__).parent / "columns.txt"


def column_texts() -> dict[str, str]:
    """Meaning of each ``table.column``, or of a column in every table under ``*.column``."""
    texts = {}
    for line in COLUMNS.read_text(encoding="utf-8").splitlines():
        if line.strip():
            name, _, text = line.partition(": ")
            texts[name] = text
    return texts


def commands_page() -> str:
    parts = ["# Commands\n", "Generated from the program's own help.\n"]
    context = click.Context(cli, info_name="dhverify", terminal_width=90, max_content_width=90)
    parts.append(f"```text\n{cli.get_help(context)}\n```\n")
    for name, command in sorted(cli.commands.items()):
        inner = click.Context(command, info_name=f"dhverify {name}", terminal_width=90, max_content_width=90)
        parts.append(f"## dhverify {name}\n\n```text\n{command.get_help(inner)}\n```\n")
    return "\n".join(parts)


def columns_page() -> str:
    texts = column_texts()
    parts = ["# Columns of the tables\n", "Shares are 0 to 1; empty means not known or not applicable.\n"]
    for table, record in TABLE_RECORDS.items():
        parts.append(f"## {table}.csv\n\n| column | meaning |\n| --- | --- |")
        for field in fields(record):
            if field.name == "extra":
                continue
            text = texts.get(f"{table}.{field.name}") or texts.get(f"*.{field.name}")
            if text is None:
                raise SystemExit(f"docs/columns.txt does not describe {table}.{field.name}")
            parts.append(f"| `{field.name}` | {text} |")
        parts.append("")
    return "\n".join(parts)


def limits_page() -> str:
    parts = [
        "# Limits\n",
        "Every cut-off that decides a verdict. `dhverify limits` prints them; `--limits FILE` takes them back.\n",
    ]
    parts += [
        f"## {info.name}\n\n`{info.shipped:g}` {info.unit}, from {info.low:g} to {info.high:g}.\n\n"
        f"{info.reason}\n\nSource: {info.source}.\n"
        for info in limit_infos()
    ]
    return "\n".join(parts)


def criteria_page() -> str:
    parts = [
        "# Criteria\n",
        "One question each; what is not met is written as a flag; [verdicts](../explanation/judge.md#verdict).\n",
        "| flag | why it is asked | when not met |\n| --- | --- | --- |",
        *(f"| `{c.flag}` | {c.why} | {c.weight.value} |" for c in CRITERIA),
        f"| `{outcome.Flag.NOT_GENOTYPED}` | no genotype file holds the sample | retest |",
        "",
    ]
    return "\n".join(parts)


PAGES = {
    "commands.md": commands_page,
    "columns.md": columns_page,
    "limits.md": limits_page,
    "criteria.md": criteria_page,
}


def main() -> int:
    """Write or check the pages."""
    stale = []
    for name, page in PAGES.items():
        text, path = page(), HERE / name
        if path.exists() and path.read_text(encoding="utf-8") == text:
            continue
        stale.append(name)
        if "--check" not in sys.argv:
            path.write_text(text, encoding="utf-8")
    if stale and "--check" in sys.argv:
        sys.stderr.write(f"stale: {', '.join(stale)}; run python docs/generate.py\n")
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
