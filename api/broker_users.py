"""Who may speak on the field broker: nodes with a name and a password of their own, added, listed and revoked.

The broker is mosquitto, and its own program keeps the file of passwords; one access list serves every node by its user
name, which takes the place of the client id it gives. A line of radio nodes is a user like a node, and has two lines of
its own in that list: the topic it may read. The broker reads the file anew when it is told to, and then ends
the connection of whoever is no longer in it, or has another password.
"""

from __future__ import annotations

import os
import secrets
import shlex
import shutil
import signal
import socket
import subprocess
from pathlib import Path

from api.certificate import certificate_text
from hardware.reading import is_slug
from hardware.service_unit import DROP_IN, SECRET_UNITS, UNIT_DIR, secrets_drop_in
from hardware.uplink import is_topic_pattern
from pipeline.errors import PipelineFault
from pipeline.site.fields import nearest
from pipeline.site.server import BrokerConfig, is_loopback
from pipeline.site.settings import SiteConfig

PASSWORDS = Path("/etc/mosquitto/underturf.passwords")
ACCESS_LIST = "underturf.acl"  # beside the passwords
# In the access list as shipped its last line; what is below it is kept when the list is written anew.
KEPT_BELOW = (
    "# Kept when the broker is set up again: what `underturf node add --reads` or you have added below this line."
)
PID_FILE = Path("/run/mosquitto/mosquitto.pid")  # as Debian's own settings of mosquitto have it
PASSWORD_BYTES = 24  # 192 bits: no guessing reaches them
PASSWD_WITHIN_S = 20.0
SETTINGS_DIR = "/etc/underturf"


class NodeRefused(PipelineFault):
    """A node that cannot be added or revoked as it was asked for."""


def node_names(config: SiteConfig, passwords: Path) -> list[str]:
    """Return the names of the nodes of this site that have a password.

    Raises
    ------
    OSError
        Where the file does not read.
    """
    users = [line.partition(":")[0] for line in passwords.read_text(encoding="utf-8").splitlines()]
    site = f"{config.site.name}/"
    return sorted(user.removeprefix(site) for user in users if user.startswith(site))


def add_node(config: SiteConfig, name: str, passwords: Path, *, rotate: bool = False) -> str:
    """Give a node a password, a new one where it has one already and `rotate` is asked for; return it.

    Raises
    ------
    NodeRefused
        Where the name is none, is taken, or is not there to be rotated.
    OSError
        Where there is no mosquitto_passwd, or the file cannot be written.
    """
    if not is_slug(name):
        raise NodeRefused(f"NAME: found {name!r}, expected small letters, digits, - and _, as in its agent.toml")
    known = node_names(config, passwords) if passwords.exists() else []
    if rotate != (name in known):
        expected = f"{nearest(name, known)}" if rotate else "a name of its own, or --rotate for another password"
        raise NodeRefused(f"NAME: found {name!r}, expected {expected}")
    return set_password(passwords, f"{config.site.name}/{name}")


def check_readable(topic: str, access_list: Path, user: str) -> None:
    """Check that a user can be let read a topic of a network server. Raises NodeRefused.

    The first level is a word that is not ours: a filter that begins with a wildcard would have the nodes' own topics in
    it, and one with `$` what the broker says of itself.
    """
    first = topic.partition("/")[0]
    is_one_word = topic.isprintable() and topic.split() == [topic]  # a line of the list ends where the topic does
    if not (is_topic_pattern(topic) and is_one_word) or first in ("+", "#", "underturf") or first.startswith("$"):
        raise NodeRefused(
            f"--reads: found {topic!r}, expected a topic without spaces, its first level a word other than underturf; "
            "+ is a whole level, # the last one"
        )
    if not access_list.is_file():
        raise NodeRefused(
            f"{access_list}: found none, expected the access list of `underturf broker`. Another broker has its own; "
            f"there, after its last line: user {user}, and on a line of its own: topic read {topic}"
        )


def readable_topic(access_list: Path, user: str) -> str | None:
    """Return the topic that the access list lets a user read beside what a node may, None where there is none."""
    if not access_list.is_file():
        return None
    of = ""
    for words in map(str.split, access_list.read_text(encoding="utf-8").splitlines()):
        if words[:1] == ["user"]:
            of = " ".join(words[1:])
        elif words[:2] == ["topic", "read"] and of == user:
            return " ".join(words[2:])
    return None


def let_read(access_list: Path, user: str, topic: str | None) -> None:
    """Have the access list let a user read a topic, in place of what lines it has of that user; None: no line at all.

    The file is written in place, so that owner and mode stay as the broker needs them. Raises OSError.
    """
    if topic is None and not access_list.is_file():
        return
    text = access_list.read_text(encoding="utf-8")
    kept, is_theirs = list[str](), False
    for line in text.splitlines():
        words = line.split()
        if words[:1] == ["user"]:
            is_theirs = " ".join(words[1:]) == user
        if not (is_theirs and words[:1] in (["user"], ["topic"])):
            kept.append(line)
    if topic is not None:
        kept += [] if KEPT_BELOW in kept else ["", KEPT_BELOW]
        kept += [f"user {user}", f"topic read {topic}"]
    if (made := "\n".join([*kept, ""])) != text:
        access_list.write_text(made, encoding="utf-8")


def access_list_text(shipped: str, access_list: Path) -> str:
    """Return the access list as shipped with what the one of this machine has below the line `KEPT_BELOW`."""
    there = access_list.read_text(encoding="utf-8") if access_list.is_file() else ""
    return shipped + there.partition(f"{KEPT_BELOW}\n")[2]


def set_password(passwords: Path, user: str) -> str:
    """Give a user of the broker a password made here, in place of one there is; return it. Raises OSError."""
    password = secrets.token_urlsafe(PASSWORD_BYTES)
    if not passwords.exists():
        os.close(os.open(passwords, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        _give_to_broker(passwords)
    _passwd(str(passwords), user, told=f"{password}\n{password}\n")
    return password


def revoke_node(config: SiteConfig, name: str, passwords: Path) -> None:
    """Take a node's password out of the file, and its lines out of the access list. Raises NodeRefused, OSError."""
    known = node_names(config, passwords)
    if name not in known:
        raise NodeRefused(f"NAME: found {name!r}, expected {nearest(name, known)}")
    _passwd("-D", str(passwords), f"{config.site.name}/{name}")
    let_read(passwords.with_name(ACCESS_LIST), f"{config.site.name}/{name}", None)


def tell_broker(pid_file: Path) -> str:
    """Have the broker read its passwords anew; return why it could not be told, empty where it was.

    mosquitto then ends connections whose password no longer holds (mosquitto.conf(5), SIGHUP).
    """
    try:
        pid = int(pid_file.read_text())
        if Path(f"/proc/{pid}/comm").read_text().strip() != "mosquitto":
            return f"{pid_file}: found process {pid}, which is no mosquitto"
        os.kill(pid, signal.SIGHUP)
    except (OSError, ValueError) as err:
        return f"{pid_file}: found no broker to tell ({err})"
    return ""


def authority_text(config: SiteConfig) -> str:
    """Return the certificate of the broker's authority, in PEM, as nodes are given it.

    Raises
    ------
    NodeRefused
        Where the settings name no broker for nodes on other machines, encrypted.
    NoCertificate
        Where the file does not read.
    """
    broker = config.broker
    if broker.kind != "external":
        raise NodeRefused('broker.kind: found embedded, which nodes elsewhere cannot reach, expected "external"')
    if broker.ca_file is None:
        raise NodeRefused("broker.ca_file: found none, expected the authority of the broker, which nodes are given")
    return certificate_text(broker.ca_file)


def host_for_nodes(broker: BrokerConfig) -> str:
    """Return the broker's host as other machines find it: that of the settings, for loopback this machine's name."""
    own = socket.gethostname().lower().partition(".")[0]
    return f"{own}.local" if is_loopback(broker.host) else broker.host


def node_block(
    config: SiteConfig, name: str, password: str, authority: str, *, host: str, topic: str | None = None
) -> str:
    """Return what is pasted on the node: its secrets and who gives them to its service, then tables of its agent.toml.

    Parameters
    ----------
    config : SiteConfig
    name : str
    password : str
    authority : str
        As of `authority_text`.
    host : str
        The broker's, as the node finds it.
    topic : str, optional
        What a line of radio nodes reads as this user: the block is that line's, beside the one of its node.
    """
    broker, site = config.broker, config.site.name
    if topic is None:
        secret, drop_in = f"{SETTINGS_DIR}/password", DROP_IN
        where = "in place of what these keys have"
        tables = f'[agent]\nsite = "{site}"\nnode = "{name}"\n\n[broker]'
    else:  # files of their own: the node's block, pasted again, leaves them
        secret, drop_in = f"{SETTINGS_DIR}/line-{name}.password", f"line-{name}.conf"
        where, tables = f"below the [[line]] with protocol mqtt and topic {topic}", "[line.broker]"
    units = " ".join(SECRET_UNITS["underturf-agent"])
    return f"""\
# On the node, as root: the password, which stays root's; the authority of the broker; who gives them to the service.
(umask 022; mkdir -p {SETTINGS_DIR}) && install -m 600 /dev/stdin {secret} <<'END'
{password}
END
install -m 644 /dev/stdin {SETTINGS_DIR}/authority.crt <<'END'
{authority}
END
for unit in {units}; do
(umask 022; mkdir -p {UNIT_DIR}/$unit.d) && install -m 644 /dev/stdin {UNIT_DIR}/$unit.d/{drop_in} <<'END'
{secrets_drop_in([Path(secret)])}END
done
# Into {SETTINGS_DIR}/agent.toml there, {where}:
: <<'END'
{tables}
host = "{host}"
port = {broker.port}
username = "{site}/{name}"
password_file = "{secret}"
ca_file = "{SETTINGS_DIR}/authority.crt"
END
# Then, and after another password too, where the agent is a service:
[ ! -d /run/systemd/system ] || systemctl daemon-reload
[ ! -e {UNIT_DIR}/underturf-agent.service ] || systemctl try-restart underturf-agent"""


def _give_to_broker(path: Path) -> None:
    """Give a file of root's to the user mosquitto runs as, where there is one."""
    if os.geteuid() == 0:
        try:
            shutil.chown(path, "mosquitto", "mosquitto")
        except LookupError:
            return


def _passwd(*words: str, told: str = "") -> None:
    """Run mosquitto_passwd. The password is told, and not a word of the command, which other users would see."""
    program = shutil.which("mosquitto_passwd")
    if program is None:
        raise OSError("mosquitto_passwd: found none, expected it with the broker. On Debian: apt install mosquitto")
    done = subprocess.run([program, *words], input=told, capture_output=True, text=True, timeout=PASSWD_WITHIN_S)
    if done.returncode != 0:
        said = (done.stderr or done.stdout).strip().splitlines() or ["no word"]
        raise OSError(f"{shlex.join(['mosquitto_passwd', *words])}: found {said[-1]}, expected it to be done")
