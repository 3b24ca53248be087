"""Compiles each `LANGUAGE.po` of this folder to `LANGUAGE.mo`, which the program reads, when the package is built.

Setuptools runs it for a wheel and for an editable install (`[tool.setuptools.cmdclass]` in pyproject.toml).
"""

from __future__ import annotations

from pathlib import Path

from setuptools.command.build_py import build_py


def compile_texts(folder: Path) -> list[Path]:
    """Compile every catalogue of a folder, and return the files made. What is marked as uncertain is left out."""
    made = []
    for source in sorted(folder.glob("*.po")):
        from babel.messages.mofile import write_mo  # only where there is one to compile
        from babel.messages.pofile import read_po

        with source.open("rb") as file:
            catalogue = read_po(file, locale=source.stem, abort_invalid=True)
        for message in list(catalogue):  # a text of which a form is missing is said in English
            if isinstance(message.string, tuple) and not all(message.string):
                catalogue.delete(message.id, message.context)
        target = source.with_suffix(".mo")
        with target.open("wb") as file:
            write_mo(file, catalogue)
        made.append(target)
    return made


class BuildWithTexts(build_py):
    """The copying of the modules into a build, with the catalogues compiled first."""

    def run(self) -> None:
        compile_texts(Path(__file__).parent)
        super().run()
