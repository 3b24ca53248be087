"""Where a bench keeps its sites: in a file of their folder, or on the server of `python tests/bench --postgresql`."""

from __future__ import annotations

import os
import time
from pathlib import Path

DSN, SERVER = "UNDERTURF_BENCH_DSN", "UNDERTURF_BENCH_SERVER"  # of the server, and the number of its first process
TICKS = os.sysconf("SC_CLK_TCK")


def store_table(folder: Path, name: str = "site") -> dict[str, dict[str, str]]:
    """Return the table `store` of the settings of one site: empty, or with a database of its own, the same each time.

    Parameters
    ----------
    folder : Path
        Of the settings.
    name : str
        Of the site among those of the folder.
    """
    dsn = os.environ.get(DSN)
    if dsn is None:
        return {}
    import psycopg

    file = folder / f"{name}.dsn"
    if not file.exists():
        folder.mkdir(parents=True, exist_ok=True)
        database = f"b{os.urandom(6).hex()}"
        with psycopg.connect(dsn, autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {database}".encode())
        file.write_text(psycopg.conninfo.make_conninfo(dsn, dbname=database))
        file.chmod(0o600)
    return {"store": {"kind": "postgresql", "dsn_file": str(file)}}


def is_on_server() -> bool:
    """Return whether sites are kept on a server."""
    return DSN in os.environ


def store_settings(folder: Path, name: str = "site") -> str:
    """Return the same as TOML, for the end of the settings."""
    tables = store_table(folder, name)
    return "".join(
        f"\n[{table}]\n" + "".join(f'{key} = "{value}"\n' for key, value in rows.items())
        for table, rows in tables.items()
    )


def cpu_s() -> float:
    """Return the processor time of this process so far, with that of the server where there is one. [s]"""
    server = os.environ.get(SERVER)
    return time.process_time() + (0.0 if server is None else server_cpu_s(int(server)))


def server_cpu_s(pid: int) -> float:
    """Return the processor time so far of a server's processes, those that have ended too. [s]"""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    ran_ns = sum(_ran_ns(int(one)) for one in (pid, *children))
    ended = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[13:15]
    return ran_ns / 1e9 + sum(map(int, ended)) / TICKS


def _ran_ns(pid: int) -> int:
    try:
        return int(Path(f"/proc/{pid}/schedstat").read_text().split()[0])
    except OSError:  # ended meanwhile
        return 0
