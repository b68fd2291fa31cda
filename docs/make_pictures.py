"""Makes the README's pictures from the running program.

    python docs/make_pictures.py [FOLDER]

A simulated test is watched in the window, then its certificate is opened as a picture.
Without a display the window draws off screen. Needs pdftoppm (Debian: poppler-utils).
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
WIDTH_PX = 1000  # of the page's picture


def main(folder: Path) -> None:
    """Write ``bench-desk.png`` and ``certificate.png`` into a folder."""
    if not os.environ.get("DISPLAY") and sys.platform == "linux":
        os.environ["QT_QPA_PLATFORM"] = "offscreen"
    sys.path.insert(0, str(HERE.parent))
    from gui import shots
    from proofstand.commands.window import WindowOptions

    with tempfile.TemporaryDirectory() as scratch:
        shop = Path(scratch) / "shop"
        taken = shots.drive(
            WindowOptions(simulated=True, folder=shop, light=True),
            folder,
            {"bench-desk": shots.in_hold("creep-hold", 0.6), "verdict": shots.over},
        )
        if [path.stem for path in taken] != ["bench-desk", "verdict"]:
            sys.exit("The simulated test did not come to its end.")
        (folder / "verdict.png").unlink()
        command = ["pdftoppm", "-png", "-singlefile", "-scale-to-x", str(WIDTH_PX)]
        page = [str(shop / "certificate.pdf"), str(folder / "certificate")]
        subprocess.run([*command, "-scale-to-y", "-1", *page], check=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "pictures")
