"""What ``junction check`` writes and prints once a part is judged."""

from __future__ import annotations

import sys

from junction.cli.output import Outputs, say
from junction.jobs.check import CheckReport
from junction.show.check import check_json, check_text
from junction.show.table import Paint, width_for


def finish(report: CheckReport, outputs: Outputs) -> None:
    """Write what was asked for and print the answer."""
    if outputs.wanted:
        outputs.add_json(check_json(report.verdict, report.readings, report.meter), "check.json")
    if outputs.folder is not None:
        from time import strftime

        from junction.show.check import check_page

        made = strftime("%Y-%m-%d %H:%M")
        page = check_page(report.verdict, report.readings, report.cautions, report.meter, made)
        outputs.add("check.html", page)
    outputs.commit_files()
    stream = outputs.text_stream
    say(
        check_text(
            report.verdict,
            report.readings,
            report.cautions,
            meter=report.meter,
            width=min(80, width_for(stream)),
            paint=Paint.for_stream(stream),
        ),
        stream,
    )
    if outputs.folder is not None:
        say(f"page: {outputs.folder / 'check.html'}", stream)
    outputs.commit_stdout()
    sys.stdout.flush()
