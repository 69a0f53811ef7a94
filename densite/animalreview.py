"""What in the animals' records a person should look at again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping

import pandas as pd

from densite import cubchecks, handlingreview, marks, permits, samples
from densite.animals import rows_of, settles
from densite.animalterms import KINDS
from densite.calibration import Calibration
from densite.errors import Problem
from densite.protocol import Protocol, problems
from densite.records import unusual


def findings(
    records: Mapping[str, pd.DataFrame], calibration: Calibration | None, *, protocol: Protocol | None, today: dt.date
) -> list[Problem]:
    """List the open questions about animals, marks, handlings, cubs, samples and permits.

    Parameters
    ----------
    records : mapping of str to DataFrame
        Current records of every kind, from :func:`densite.animals.frame_of`.
    calibration : Calibration or None
        By which ages of cubs are estimated.
    protocol : Protocol or None
        The study's limits of vitals.
    today : date
        Day on which the protocol should hold.

    Returns
    -------
    list of Problem
        Placed by the file and line from which each record came; what a person has confirmed is left out.
    """
    r = records
    beside = [
        *marks.findings(r["animal"], r["mark"], r["cub"]),
        *handlingreview.findings(r["handling"], r["drug"], r["reading"], cubs=r["cub"]),
        *(problems(protocol, today=today) if len(r["handling"]) else ()),
        *cubchecks.findings(r["cub"], calibration),
        *samples.findings(r["sample"], r["custody"], r["result"], r["cub"], r["animal"]),
        *permits.findings(r["permit"], r["handling"], r["mark"], r["drug"], r["sample"], r["cub"]),
    ]
    told = {(p.file, p.line, p.field) for p in beside}
    return [*beside, *(p for p in _unusual(records) if (p.file, p.line, p.field) not in told)]


def _unusual(records: Mapping[str, pd.DataFrame]) -> Iterator[Problem]:
    """List values out of the usual, as intake did, while nobody has confirmed or corrected them."""
    for name, frame in records.items():
        for term in (t for t in KINDS[name].terms if t.low is not None and t.high is not None):
            odd = frame.loc[(frame[term.name] < term.low) | (frame[term.name] > term.high)]
            for row in rows_of(odd):
                problem = unusual(term, row[term.name])
                if problem is not None and not settles(row["settled"], term.name):
                    yield problem.at(row["source_file"], row["source_line"])
