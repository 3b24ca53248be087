"""Phrases that all texts share: lists of names, and probes to be lifted.

Pure words: nothing is judged here.
"""

from __future__ import annotations

from collections.abc import Sequence


def listed(names: Sequence[str]) -> str:
    """Names as a sentence has them: `a`, `a and b`, `a, b and c`; empty for none."""
    if not names:
        return ""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def the_probes(names: Sequence[str]) -> str:
    """Probes by their names: a probe called `thatch` must not read as the thatch itself."""
    return listed([f"the {name} probe" for name in names])


def lift_first(names: Sequence[str]) -> str:
    """What to do with the probes in the way, as a sentence without its stop; empty for none."""
    return f"Lift {the_probes(names)} first" if names else ""
