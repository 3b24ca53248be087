"""The committee's sheet as a PDF, printed by a Chromium where this machine has one."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

PROGRAMS = ("chromium", "chromium-browser", "google-chrome")
WITHIN_S = 60.0


def write_pdf(page: str, file: Path) -> None:
    """Print a page that is whole in itself into a file.

    Parameters
    ----------
    page : str
        HTML without anything to load.
    file : Path
        Written whole or not at all.

    Raises
    ------
    OSError
        There is no Chromium, or it did not print; the text says which.
    """
    program = next((found for name in PROGRAMS if (found := shutil.which(name))), None)
    if program is None:
        raise OSError(
            "found no Chromium on this machine, expected one for --pdf. Leave --pdf out, and print from a browser."
        )
    with tempfile.TemporaryDirectory() as folder:
        source, made = Path(folder) / "sheet.html", Path(folder) / "sheet.pdf"
        source.write_text(page, encoding="utf-8")
        call = [
            program, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder}/profile",
            "--no-pdf-header-footer", f"--print-to-pdf={made}", source.as_uri(),
        ]  # fmt: skip
        try:
            told = subprocess.run(call, capture_output=True, text=True, timeout=WITHIN_S, check=False)
        except subprocess.TimeoutExpired as err:
            raise OSError(f"{program} has not printed within {WITHIN_S:.0f} s") from err
        if not made.is_file():
            raise OSError(f"{program} printed nothing and ended with {told.returncode}: {told.stderr.strip()[-300:]}")
        part = file.with_name(f".{file.name}.part")
        shutil.copyfile(made, part)
        part.replace(file)
