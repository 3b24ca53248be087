"""The environment faults of the pipeline, under one base: things outside the program that went away or filled up.

They are raised where they happen and caught in one place, which counts, logs on change, backs off and tries again.
Field faults are data (a status, a flag) and bugs are left to crash: neither belongs here.
"""

from __future__ import annotations


class PipelineFault(Exception):
    """Base of every environment fault of the pipeline."""


class StoreFault(PipelineFault):
    """The store cannot do what was asked just now; nothing of it was kept."""


class StoreAway(StoreFault):
    """The store cannot be reached, opened, read or locked in time."""


class StoreTaken(StoreAway):
    """Another process holds the site, so that this one may not write."""


class JobPutBack(StoreFault):
    """The site of a long job is let go: whoever holds it next does the job."""


class JobCancelled(PipelineFault):
    """A long job that somebody has cancelled, and that has stopped; the text is what was done of it."""


class StoreDamaged(StoreAway):
    """The database does not read as it was written: it is to be restored from a backup. Nothing more is kept in it."""


class StoreFull(StoreFault):
    """The disk, or the bound set for the file, has no room left."""


class StoreTooNew(StoreFault):
    """The database was written by a later version of the program than this one."""


class StoreForeign(StoreFault):
    """The file is there, but it is no database of this program."""


class BackupFault(PipelineFault):
    """A backup cannot be made, or what is there is none that can be restored."""


class NoBackupHere(BackupFault):
    """There is nothing to take a backup of, or it is taken by other means."""


class ClockAway(PipelineFault):
    """The clock that is followed does not answer."""
