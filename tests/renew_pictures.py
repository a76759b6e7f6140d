"""Take the pictures of the README again, from the demo bag: ``python -m tests.renew_pictures``.

The page is taken by a headless Chromium, which must be on the PATH.
Look at both pictures before you commit them.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import junction
from tests.test_notebooks import DAY
from tests.test_readme_examples import ROOT, printed

PICTURES = ROOT / "reference" / "pictures"
#: What is shown: the head of the bag's page, and the sweep of a leaky diode whose fault is easily seen.
WINDOW, SWEEP = "1100,1150", "S05"


def renew():
    """Write bag-page.png and fit.svg."""
    browser = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
    if browser is None:
        sys.exit("no chromium on the PATH")
    os.environ["SOURCE_DATE_EPOCH"] = str(DAY)
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        printed("junction demo demo")
        subprocess.run(
            [browser, "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
             f"--window-size={WINDOW}", f"--screenshot={PICTURES / 'bag-page.png'}",
             (Path(folder) / "demo" / "report" / "sort.html").as_uri()],
            check=True, capture_output=True,
        )  # fmt: skip
        fits = junction.fit("demo/sweeps.csv")
        wanted = next(name for name in fits.pictures if SWEEP in name)
        fits.plot(wanted).save(PICTURES / "fit.svg")


if __name__ == "__main__":
    from tests.golden.renewing import refuse_in_ci

    refuse_in_ci()
    renew()
