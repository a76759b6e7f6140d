"""``junction demo``: an invented, simulated bag written to a folder, and the whole job run on it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from junction.base.errors import OutputError
from junction.cli.output import Outputs, say
from junction.demo.bag import demo_files
from junction.jobs.job import job
from junction.jobs.sort import sort
from junction.show.files import alone_with, must_be_writable, write_files

EPILOG = """The bag is invented and its measurements are simulated; nothing in it was ever on a bench.
The files go into FOLDER and the report into FOLDER/report; other people's files are never touched.
A few rows are spoiled on purpose, to show what is not used and why.
example: junction demo bench-demo"""

#: Stands on the page and in the JSON.
LABEL = "An invented, simulated bag: no part in it was ever on a bench."
#: Name of the job that the report is of.
JOB = "Invented public-address amplifier (simulated)"
#: The step after: sets for the output stage that the invented amplifier has.
NEXT = (
    "junction match {} --power 30W --load 8ohm --supply 30V --parallel 2 --emitter-resistor 0.47ohm"
    " --idle-current 200mA -o {}"
)
#: Folder of the report inside the demo's folder.
REPORT = "report"


@job(
        inputs=("folder", "", "FOLDER", "where to write; made if it does not exist"), epilog=EPILOG,
)  # fmt: skip
def demo(folder: str, o) -> int:
    """Write the bag, sort it, show the table.

    The bag holds a few spoiled rows on purpose, to show where they go; the status is 0 all the same.
    """
    place = Path(folder)
    files = demo_files(o.seed)
    must_be_writable(place)
    with alone_with(place):
        refuse_what_is_not_ours(place, files)
        write_files({place / name: text for name, text in files.items()})
    outputs = Outputs(str(place / REPORT), job=JOB, more=o.more)
    say(f"An invented, simulated bag of {len(files)} files in {place}; the job on it is")
    say(f"  junction sort {place} -o {place / REPORT}")
    say()
    result = sort(place)
    result.report = replace(result.report, label=LABEL)
    outputs.finish(result)
    say(f"next, matched sets of its output devices: {NEXT.format(place, place / REPORT)}")
    return 0


def refuse_what_is_not_ours(folder: Path, files: dict[str, str]) -> None:
    """Refuse a folder that holds anything but this very demo, unchanged.

    Raises
    ------
    OutputError
        Names the first thing that would be in danger.
    """
    if not folder.is_dir():
        return
    for path in sorted(folder.iterdir()):
        if path.name == REPORT:
            continue
        if path.name not in files:
            raise OutputError(f"{folder}: holds {path.name}, no file of the demo; choose a new folder")
        if path.read_bytes() != files[path.name].encode():
            raise OutputError(f"{path}: was changed or drawn with another seed; choose a new folder")
