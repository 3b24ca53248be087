"""The line in which a bench prints a figure with its limit; `python tests/bench` gathers them into one table."""

from __future__ import annotations

HEAD = ("measure", "value", "limit", "ratio", "before")
BETWEEN = " | "


def measured(
    measure: str, value: str, ratio: float, limit: float | None, *, of: str = "", before: float | str = "-"
) -> bool:
    """Print one figure, and return whether it keeps its limit.

    Parameters
    ----------
    measure, value : str
        What was measured, and how much with its unit.
    ratio : float
        The figure over that of its peer, or over its limit.
    limit : float, optional
        The greatest ratio allowed; None where there is no limit.
    of : str
        What the ratio is to: a peer of the same run, or the limit with its unit.
    before : float or str
        The ratio as it was before the work that the limit was set for.
    """
    most = "-" if limit is None else f"{limit:g} of {of}" if limit != 1.0 else of
    shown = f"{before:.2f}" if isinstance(before, float) else before
    print(BETWEEN.join((measure, value, most, f"{ratio:.2f}", shown)), flush=True)
    return limit is None or ratio <= limit
