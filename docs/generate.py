"""Write the reference pages that follow the code.

``python docs/generate.py`` writes them; with ``--check`` it writes nothing and exits 1 if a page is stale.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import click

import dhverify
from dhverify import assumptions, outcome
from dhverify.assumptions import PriorRate
from dhverify.cli.main import cli
from dhverify.criteria import CRITERIA
from dhverify.limits import limit_infos
from dhverify.report import budget_folder, marker_set_folder
from dhverify.report.summary import summary_schema
from dhverify.report.tables import TABLE_RECORDS, record_columns

HERE = Path(__file__).parent / "reference"
COLUMNS = Path(__file__).parent / "columns.txt"
PACKAGE = Path(dhverify.__file__).parent
GENERATED = "% Written by docs/generate.py; change the code or that script, not this page.\n"
DOUBLING_NOTE = "Doubling: mind the [caution](../explanation/limits_of_genotypes.md#caution).\n"
TABLES = {"check": TABLE_RECORDS, "markers": marker_set_folder.RECORDS, "budget": budget_folder.RECORDS}
"""Tables of each command that writes some."""
COLUMNS_HEAD = """\
UTF-8, LF, comma, decimal point. Shares are 0 to 1; empty means not known or not applicable. Numbers have six
significant digits. More columns may be added at the end.
"""
CRITERIA_HEAD = """\
One question each; what is not met is written as a flag. *Worth knowing* does not hold a line back by itself: the
[rules of the verdict](../explanation/judge.md#verdict) look at the same thing.
"""
SUMMARY_HEAD = """\
Every folder that a command writes has one; `kind` says of which command it is. A JSON schema of each ships with the
package. `schema_version` is raised when a name is renamed or dropped; names may be added.
"""
SUMMARIES = {
    "check": ("summary.schema.json", summary_schema),
    "markers": ("marker_set_summary.schema.json", marker_set_folder.marker_set_schema),
    "budget": ("budget_summary.schema.json", budget_folder.budget_schema),
}
"""File of the schema, and the schema, of each command that writes a folder."""
ASSUMPTIONS_HEAD = """\
What the judge starts from before it has seen a lot, and the fixed numbers in its rooms. Limits, which decide, stand on
[a page of their own](limits.md). How the numbers are used: [how the judge decides](../explanation/judge.md).
"""
ROOMS_WITH_NUMBERS = {
    "marker_quality": "Which markers are used",
    "lot": "Reads to calls",
    "map_check": "Whether the map fits",
    "marker_classes": "Marker classes",
    "family_models": "Families",
    "hypotheses": "Pedigrees of the findings",
    "findings_table": "The findings of a family",
    "observation": "What the assay makes of a genotype",
    "strands": "Founder strands",
    "shared_parents": "Untyped parents that donors share",
    "learning": "Learning the lot",
    "learning_rounds": "Rounds of learning",
    "suspects": "References that contradict the lot",
    "judging": "Posteriors",
    "alternatives": "Other donors",
    "own_pollen": "Pollen of the donor's own parents",
    "pollen": "Other pollen",
    "partners": "Genotypes of other samples",
    "wells": "Where foreign DNA comes from",
    "mixed_assay": "What is seen of the DNA of two",
    "mixture_fits": "Partners of a mixture",
    "contamination": "Mixtures",
    "sister_copies": "A copy, and a mixture with it",
    "one_plant": "Donors whose lines come of one plant",
    "mothers": "What sisters show of their plant",
    "sisters": "Two sisters crossed",
    "poor_samples": "Poor DNA",
    "diagnosis": "From analysis to evidence",
    "segments": "Segments",
    "decoding": "Decoding",
    "marker_review": "Markers at fault",
    "stretches": "Independent stretches",
    "references": "References",
    "pair_comparison": "Pairs that are looked at",
    "pair_odds": "One genotype or two",
    "copy_share": "How common copies are",
    "identity": "Identity",
    "donor_exchanges": "Labels exchanged between donors",
    "exchanges": "Exchanged labels",
    "plate_blanks": "Blanks",
    "plate_moves": "Turned and shifted plates",
    "displaced_parts": "Parts of plates out of place",
    "plate_parts": "Parts of plates out of place, by what wells hold",
    "plate_wells": "What is seen of wells",
    "gamete_sums": "Sums over gametes",
    "plate_profiles": "What wells should look like",
    "leaks": "Leaks",
    "chained_leaks": "Leaks of leaks",
    "small_groups": "Small groups",
}
"""Modules whose numbers a reader may want to check, and the heading of each."""


def column_texts() -> dict[str, str]:
    """Meaning of each ``table.column``, or of a column in every table under ``*.column``."""
    texts = {}
    for line in COLUMNS.read_text(encoding="utf-8").splitlines():
        if line.strip():
            name, _, text = line.partition(": ")
            texts[name] = text
    return texts


def help_text(command: click.Command, name: str) -> str:
    context = click.Context(command, info_name=name, terminal_width=90, max_content_width=90)
    return f"```text\n{command.get_help(context)}\n```\n"


def commands_page() -> str:
    parts = ["# Commands\n", GENERATED, "What each command's `--help` says.\n", DOUBLING_NOTE]
    parts.append(help_text(cli, "dhverify"))
    for name, command in sorted(cli.commands.items()):
        parts.append(f"## dhverify {name}\n\n{help_text(command, f'dhverify {name}')}")
    return "\n".join(parts)


def columns_page() -> str:
    texts = column_texts()
    parts = [
        "# Columns of the tables\n",
        GENERATED,
        COLUMNS_HEAD,
        DOUBLING_NOTE,
    ]
    for command, records in TABLES.items():
        parts.append(f"## dhverify {command}\n")
        for table, record in records.items():
            parts += table_part(table, record, texts)
    return "\n".join(parts)


def table_part(table: str, record: type, texts: dict[str, str]) -> list[str]:
    parts = [f"### {table}.csv\n\n| column | holds | meaning |\n| --- | --- | --- |"]
    for name, kind in zip(*record_columns(record), strict=True):
        text = texts.get(f"{table}.{name}") or texts.get(f"*.{name}")
        if text is None:
            raise SystemExit(f"docs/columns.txt does not describe {table}.{name}")
        parts.append(f"| `{name}` | {kind.value} | {text} |")
    if any(field.name == "extra" for field in fields(record)):
        parts.append("\nFurther columns of the sheet follow, with `sheet_` before a name that is taken.")
    return [*parts, ""]


def limits_page() -> str:
    parts = [
        "# Limits\n",
        GENERATED,
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
        GENERATED,
        CRITERIA_HEAD,
        "| flag | why it is asked | when not met |\n| --- | --- | --- |",
        *(f"| `{c.flag}` | {c.why} | {c.weight.value} |" for c in CRITERIA),
        f"| `{outcome.Flag.NOT_GENOTYPED}` | no genotype file holds the sample | retest |",
        "",
    ]
    return "\n".join(parts)


def summary_page() -> str:
    parts = ["# summary.json\n", GENERATED, SUMMARY_HEAD, DOUBLING_NOTE]
    for command, (file, schema) in SUMMARIES.items():
        parts += summary_part(command, file, schema())
    return "\n".join(parts)


def summary_part(command: str, file: str, schema: dict[str, Any]) -> list[str]:
    texts = column_texts()
    parts = [f"## dhverify {command}\n\nSchema: `dhverify/report/{file}`.\n"]
    parts.append("| name | holds | meaning |\n| --- | --- | --- |")
    for name, kind, text in schema_rows(schema):
        meaning = text or texts.get(f"summary.{name}")
        if not meaning:
            raise SystemExit(f"neither the schema nor docs/columns.txt describes summary.{name} of {command}")
        parts.append(f"| `{name}` | {kind} | {meaning} |")
    return [*parts, ""]


def schema_rows(schema: dict[str, Any]) -> list[tuple[str, str, str]]:
    definitions = schema.get("$defs", {})

    def resolved(part: dict[str, Any]) -> dict[str, Any]:
        return {**definitions[part["$ref"].rsplit("/", 1)[1]], **part} if "$ref" in part else part

    def walk(name: str, part: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
        part = resolved(part)
        kind = part.get("type", "")
        kind = " or ".join(kind) if isinstance(kind, list) else kind
        if "const" in part:
            kind = f"`{part['const']}`"
        kind = kind or " or ".join(resolved(option).get("type", "") for option in part.get("anyOf", []))
        yield name, kind.replace("null", "empty"), part.get("description", "")
        for inner, value in part.get("properties", {}).items():
            yield from walk(f"{name}.{inner}", value)
        if isinstance(part.get("items"), dict):
            for inner, value in resolved(part["items"]).get("properties", {}).items():
                yield from walk(f"{name}[].{inner}", value)

    return [row for name, part in schema["properties"].items() for row in walk(name, part)]


def assumptions_page() -> str:
    parts = [
        "# Numbers of the model\n",
        GENERATED,
        ASSUMPTIONS_HEAD,
        "## Error rates of the assay\n\n| name | mean | counts for | source |\n| --- | --- | --- | --- |",
    ]
    rates = {n: v for n, v in vars(assumptions).items() if isinstance(v, PriorRate)}
    parts += [f"| `{name}` | {rate.mean:g} | {rate.weight:g} calls | {rate.source} |" for name, rate in rates.items()]
    parts.append("\n## Shares of the findings\n\n| finding | haploid, D0 | D1 |\n| --- | --- | --- |")
    parts += [
        f"| {finding} | {share:g} | {assumptions.D1_PRIOR[finding]:g} |"
        for finding, share in assumptions.HAPLOID_PRIOR.items()
    ]
    reasons = {name: reason for name, _, reason in constants("assumptions")}
    parts.append(f"\n{reasons['HAPLOID_PRIOR']}\n\n{reasons['D1_PRIOR']}\n")
    parts.append("## Other assumptions\n")
    parts += number_table("assumptions")
    for module, title in ROOMS_WITH_NUMBERS.items():
        parts.append(f"## {title}\n\n`dhverify/{module}.py`\n")
        parts += number_table(module)
    return "\n".join(parts)


def number_table(module: str) -> list[str]:
    rows = [f"| `{name}` | {value} | {reason} |" for name, value, reason in constants(module) if value]
    return ["| name | value | why |\n| --- | --- | --- |", *rows, ""]


def constants(module: str) -> list[tuple[str, str, str]]:
    """Name, value (empty if it is no plain number) and the reason that stands below each constant of a module."""
    found: list[tuple[str, str, str]] = []
    previous: ast.stmt | None = None
    for statement in ast.parse((PACKAGE / f"{module}.py").read_text(encoding="utf-8")).body:
        if target := constant_name(statement):
            found.append((target, number_text(statement), ""))
        elif isinstance(statement, ast.Expr) and previous is not None and constant_name(previous):
            reason = ast.literal_eval(statement.value)
            plain = re.sub(r":\w+:`([^`]*)`", r"`\1`", " ".join(reason.split()))
            found[-1] = (*found[-1][:2], plain.replace("|", "\\|"))
        previous = statement
    return [row for row in found if not row[0].endswith("_BYTES")]


def constant_name(statement: ast.stmt) -> str:
    if isinstance(statement, ast.AnnAssign) and isinstance(statement.target, ast.Name) and statement.value is not None:
        return statement.target.id if statement.target.id.isupper() or statement.target.id[1:].isupper() else ""
    if isinstance(statement, ast.Assign) and isinstance(statement.targets[0], ast.Name):
        return statement.targets[0].id if statement.targets[0].id.isupper() else ""
    return ""


def number_text(statement: ast.stmt) -> str:
    text = ast.unparse(statement.value) if isinstance(statement, ast.Assign | ast.AnnAssign) and statement.value else ""
    is_number = text[:1].isdigit() or text[:2] in {"-0", "-1"} or (text[:2].startswith("(") and text[1:2].isdigit())
    return text if is_number else ""


PAGES = {
    "commands.md": commands_page,
    "columns.md": columns_page,
    "limits.md": limits_page,
    "criteria.md": criteria_page,
    "summary.md": summary_page,
    "assumptions.md": assumptions_page,
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
