"""A list for each crew and day of what is not filled in, to be printed and worked through."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from densite.review.completeness import heading_of
from densite.review.finding import Finding, key_of
from densite.review.whole import Review

WIDTH = 100
NOBODY = "crew not recorded"


def grouped(findings: Iterable[Finding]) -> dict[tuple[str, str], list[Finding]]:
    """Gather findings by crew and day.

    Parameters
    ----------
    findings : iterable of Finding
        The findings.

    Returns
    -------
    dict
        (crew, day as ISO text) to findings, newest day first; what belongs to no crew or day is last.
    """
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        groups.setdefault((finding.crew, str(finding.day or "")), []).append(finding)
    by_crew = sorted(groups, key=lambda key: (key[0] == "", key[0]))
    return {key: groups[key] for key in sorted(by_crew, key=lambda key: key[1], reverse=True)}


def missing_text(review: Review, labels: Mapping[str, str]) -> str:
    """Return what is missing, by crew and day, and how complete each column is.

    Parameters
    ----------
    review : Review
        From :func:`densite.review.whole.look_again`.
    labels : mapping of str to str
        den_id to label.

    Returns
    -------
    str
        Plain text with a box to tick before each den; no line is longer than 100 characters.
    """
    lines = []
    for (crew, day), found in grouped(f for f in review.findings if f.missing).items():
        lines.append(f"{day or 'day not known'}  {crew or NOBODY}")
        lines += [line for label, columns in _by_den(found, labels).items() for line in _den_lines(label, columns)]
        lines.append("")
    return "\n".join([*(lines or ["Nothing that is expected is missing.", ""]), *_table(review)]) + "\n"


def as_json(review: Review, labels: Mapping[str, str], *, missing: bool = False) -> str:
    """Return the open questions as a JSON list.

    Parameters
    ----------
    review, labels
        As for :func:`missing_text`.
    missing : bool
        Only what is not filled in, in the order of its list.

    Returns
    -------
    str
        One object a question: its problem's parts, kind, den, day, crew, missing columns, and under ``about`` the
        names by which `densite check --settle` takes it.
    """
    found: Iterable[Finding] = review.findings
    if missing:
        found = [f for some in grouped(f for f in review.findings if f.missing).values() for f in some]
    return json.dumps([_object(finding, labels) for finding in found], indent=2, ensure_ascii=False)


def _object(finding: Finding, labels: Mapping[str, str]) -> dict[str, Any]:
    about = [key_of(finding, name) for name in finding.missing] or [key_of(finding)]
    return asdict(finding.problem) | {
        "kind": finding.kind, "den": labels.get(finding.den_id, finding.problem.den), "den_id": finding.den_id,
        "other_den": labels.get(finding.other_id, ""), "visit_id": finding.visit_id, "day": str(finding.day or ""),
        "crew": finding.crew, "missing": list(finding.missing), "about": about,
    }  # fmt: skip


def _by_den(found: Iterable[Finding], labels: Mapping[str, str]) -> dict[str, list[str]]:
    """Join what a den and its visit lack on one day."""
    joined: dict[str, list[str]] = {}
    for finding in found:
        label = labels.get(finding.den_id) or finding.problem.message.partition(":")[0]
        columns = joined.setdefault(label, [])
        columns += [name for name in finding.missing if name not in columns]
    return dict(sorted(joined.items()))


def _den_lines(label: str, columns: Iterable[str]) -> list[str]:
    said = ", ".join(_named(name) for name in columns)
    return textwrap.wrap(f"[ ] {label}: {said}", WIDTH, initial_indent="  ", subsequent_indent="      ")


def _named(name: str) -> str:
    kind, dot, _ = name.rpartition(".")
    return f"{kind} {heading_of(name).lower()}" if dot else heading_of(name).lower()


def _table(review: Review) -> list[str]:
    lines = [f"{'expected':<32} {'of':<9} {'filled':>7} {'asked':>7} {'share':>7}"]
    for row in review.filled.to_dict("records"):
        share = f"{100 * row['filled'] // row['expected']} %" if row["expected"] else "-"
        heading = heading_of(row["column"])
        lines.append(f"{heading:<32} {row['of']:<9} {row['filled']:>7} {row['expected']:>7} {share:>7}")
    return lines
