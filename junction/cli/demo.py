"""``junction demo``: an invented, simulated bag written to a folder, and the whole job run on it."""

from __future__ import annotations

import argparse
from pathlib import Path

from junction.base.errors import OutputError
from junction.cli import options
from junction.cli.output import Outputs, exit_status, say
from junction.cli.sort import DEFAULT_PLOTS, finish

EPILOG = """The bag is invented and its measurements are simulated; nothing in it was ever on a bench.
The files go into FOLDER and the report into FOLDER/report; other people's files are never touched.
example: junction demo bench-demo"""

#: Folder of the report inside the demo's folder.
REPORT = "report"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``junction demo``."""
    parser.epilog = EPILOG
    parser.add_argument("folder", metavar="FOLDER", help="where to write; made if it does not exist")
    parser.add_argument("--seed", metavar="N", type=options.whole(), default=0,
                        help="another draw of the measurement noise (default 0)")  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Write the bag, sort it, show the table; the exit status is that of ``junction sort``."""
    from junction.demo.bag import demo_files
    from junction.intake.read import read_paths
    from junction.pipeline.sort import SortSettings, run_sort
    from junction.shelf.meters import default_meter

    folder = Path(args.folder)
    files = demo_files(args.seed)
    refuse_what_is_not_ours(folder, files)
    written = Outputs(str(folder))
    for name, text in files.items():
        written.add(name, text)
    written.commit()
    paths = [str(folder / name) for name in files if name.endswith(".csv")]
    say(f"An invented, simulated bag: {', '.join(paths)}")
    say(f"The job, as you would run it: junction sort {' '.join(paths)} -o {folder / REPORT}")
    say()
    outputs = Outputs(str(folder / REPORT), inputs=paths)
    report = run_sort(read_paths(paths), SortSettings(default_meter(), details=True, plots=DEFAULT_PLOTS))
    finish(report, outputs)
    say(f"next: junction match {' '.join(paths)} -o {folder / REPORT}")
    return exit_status(report.set_aside)


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
