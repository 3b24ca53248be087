"""What a crash bench owes and what was paid: readings lost and stored twice, worked out from three records. Pure.

The records: how many readings the outbox ever numbered, what the sensors wrote down, and what the pipeline stored. Two
counts of what is lost stand beside each other. By number: the outbox gives each reading one `seq` in its commit, from
1 without a gap, so what it numbered less what is stored is lost, whatever it has freed meanwhile. By the sensors alone:
on each line the agent goes on to another probe only when the one before is committed, so values of a talk that went
without a repeat and was followed by a question to another probe of that line, with no kill of the agent between, were
in custody. The lines are read side by side and their talks mix in the log. Values an agent heard but was killed over
before its commit may be missing: nobody had taken them into custody.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

Row = tuple[str, str, int | None]  # channel, slot, running number (None where the reading failed)


@dataclass(frozen=True)
class Account:
    """The outcome.

    Attributes
    ----------
    committed : int
        Readings the outbox numbered: n.
    lost, twice : int
        Of them missing in the store, and rows stored beyond the first of one measurement or one value.
    known, known_lost : int
        Values known from the sensors alone to have been in custody, and those of them missing.
    invented : int
        Stored values that no sensor gave.
    unlike : int
        Readings still in the outbox that are not stored just so.
    unclear : int
        Talks with a repeat, or cut by a kill, that the count by sensors leaves out.
    """

    committed: int
    lost: int
    twice: int
    known: int
    known_lost: int
    invented: int
    unlike: int
    unclear: int


def settle(
    committed: int, stored: Sequence[Row], outbox: Iterable[Row], log: Iterable[str], talk: Sequence[str]
) -> Account:
    """Compare the records.

    Parameters
    ----------
    committed : int
        Highest number the outbox gave.
    stored, outbox : rows
        Everything in the pipeline's store; what the outbox still holds.
    log : lines
        Of the sensors, with a line `killed` after each end of the agent.
    talk : sequence of str
        The commands of one undisturbed talk with a probe, without address.
    """
    places = Counter((channel, slot) for channel, slot, _ in stored)
    numbers = Counter(number for _, _, number in stored if number is not None)
    said, known, unclear = _heard(log, list(talk))
    rows = set(stored)
    return Account(
        committed=committed,
        lost=committed - len(places),
        twice=max(sum(places.values()) - len(places), sum(numbers.values()) - len(numbers)),
        known=len(known),
        known_lost=len(known - numbers.keys()),
        invented=len(numbers.keys() - said),
        unlike=sum(row not in rows for row in outbox),
        unclear=unclear,
    )


@dataclass
class _Talk:
    """What one probe was asked in a row, and the values it gave."""

    address: str
    commands: list[str] = field(default_factory=list)
    values: list[int] = field(default_factory=list)


def _heard(log: Iterable[str], talk: list[str]) -> tuple[set[int], set[int], int]:
    """All values the sensors gave, those surely in custody, and how many talks were left out."""
    said: set[int] = set()
    known: set[int] = set()
    unclear = 0
    talks: dict[str, _Talk] = {}  # the present one of each line
    for entry in log:
        if entry == "killed":
            unclear += len(talks)
            talks.clear()
            continue
        word, line, address, *rest = entry.split()
        present = talks.get(line)
        if word == "say":
            said.update(map(int, rest))
            if present is not None:
                present.values += map(int, rest)
            continue
        if present is None or present.address != address:
            if present is not None and present.commands == talk:
                known.update(present.values)
            elif present is not None:
                unclear += 1
            present = talks[line] = _Talk(address)
        present.commands += rest
    return said, known, unclear + len(talks)
