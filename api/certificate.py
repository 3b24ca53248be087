"""The certificate of the pages: an authority of this box makes it, the service renews it, and all can look at it.

A phone that trusts the authority trusts whatever it vouches for. So it may vouch for the names of this box and for
addresses of private networks alone (RFC 5280, 4.2.1.10): who steals its key cannot pass for any other site. Keys stand
in the data folder, for the service's eyes, and are in no backup. A file is replaced whole: a power cut leaves the old
one or the new one, and a key is never apart from its certificate.
"""

from __future__ import annotations

import datetime
import ipaddress
import os
import re
import secrets
import ssl
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, load_pem_private_key
from cryptography.x509.oid import ExtendedKeyUsageOID

from api.writing import own_hosts
from pipeline.errors import PipelineFault
from pipeline.site.settings import SiteConfig
from pipeline.texts import later, say
from pipeline.units import DAY_MS

AUTHORITY, AUTHORITY_OUT, SERVER = "authority.pem", "authority.crt", "server.pem"  # key and certificate; to hand out
AUTHORITY_D = 3650
SERVER_D = 200  # what public authorities may give since March 2026 (CA/Browser Forum, 6.3.2; from memory)
RENEW_D = 60
LATE_D = 2  # a box that was off for a night renews it when it is on again, and nobody need be told
AUTHORITY_TOLD_D = 365  # phones and nodes are gone round for another once, in some winter before
EARLIER_MS = DAY_MS  # a phone's clock may be behind the box's
OPEN_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW
MOST_CN = 64  # RFC 5280, appendix A: ub-common-name
# RFC 1918, 3927, 6598 and 4193, link-local and loopback: no such address belongs to a site of the internet.
PRIVATE = (
    "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "100.64.0.0/10", "127.0.0.0/8",
    "fc00::/7", "fe80::/10", "::1/128",
)  # fmt: skip

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network


class NoCertificate(PipelineFault):
    """There is no certificate that the pages could be served with."""


@dataclass(frozen=True, slots=True)
class CertificateFacts:
    """A certificate as one looks at it: names and addresses, first and last moment, and its SHA-256 in pairs of digits.

    [ms since 1970, UTC]
    """

    names: tuple[str, ...]
    from_ms: int
    until_ms: int
    fingerprint: str

    @property
    def last_day(self) -> str:
        return _day(self.until_ms)

    def fault(self, now_ms: int) -> str:
        """Return what is wrong with it by the time; empty where nothing is."""
        if now_ms < self.from_ms:
            # Translators: fills {fault} of two sentences, about the certificate of the pages and the authority
            return say(
                "begins on {day}, and today is {today}: is the clock set?", day=_day(self.from_ms), today=_day(now_ms)
            )
        # Translators: fills {fault} of two sentences, about the certificate of the pages and the authority
        return say("ended on {day}", day=_day(self.until_ms)) if now_ms > self.until_ms else ""


def make_certificate(config: SiteConfig, now_ms: int, *, new_authority: bool = False) -> list[str]:
    """Make a certificate for the box as it is now, and the authority where there is none; return what was done.

    Raises
    ------
    NoCertificate
        Where the authority there is may not vouch for a name of the settings, or its own time is not now.
    OSError
        Where the folder cannot be written.
    """
    folder, names, addresses, lines = folder_of(config), _names(config), _addresses(config), []
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    _give_folder(folder, config.data.dir)
    if new_authority or not (folder / AUTHORITY).exists():
        key, authority = _new_authority(config, names, addresses, now_ms)
        write_whole(folder / AUTHORITY, _key_pem(key) + _pem(authority), mode=0o600)
        write_whole(folder / AUTHORITY_OUT, _pem(authority), mode=0o644)
        lines.append(f"{folder / AUTHORITY}: made an authority, good until {_day(_until_ms(authority))}")
    _, authority = _read(folder / AUTHORITY)
    permitted = _permitted(authority)
    if outside := [name for name in names if not _may_name(permitted, name)]:
        raise NoCertificate(
            f"{folder / AUTHORITY}: found an authority that may not vouch for {', '.join(outside)}, expected one for "
            f"every name of this box. {_ANEW}"
        )
    write_whole(folder / SERVER, b"".join(issue(config, now_ms)), mode=0o600)
    made = server_facts(config)
    lines.append(f"{folder / SERVER}: made, good until {made.last_day} for {', '.join(made.names)}")
    return lines


_ANEW = later("`underturf certificate --new-authority` makes another: every phone and node has to be given it then.")


def issue(config: SiteConfig, now_ms: int) -> tuple[bytes, bytes]:
    """Return the key and the certificate, in PEM, of a server on this box: its pages, or its broker.

    It is for the names and addresses of the box that the authority may vouch for; `doubts_of_names` tells the others.

    Raises
    ------
    NoCertificate
        Where there is no authority, or its own time is not now.
    """
    key, authority = _read(folder_of(config) / AUTHORITY)
    if found := facts_of(authority).fault(now_ms):
        where = folder_of(config) / AUTHORITY
        raise NoCertificate(f"{where}: found an authority that {found}, expected one of now. {_ANEW}")
    return _signed(key, authority, _vouched(config, authority), now_ms)


def is_due(config: SiteConfig, held: CertificateFacts, now_ms: int) -> bool:
    """Whether one that was issued is to be issued anew: it ends soon, or lacks a name or address the box has now."""
    _, authority = _read(folder_of(config) / AUTHORITY)
    of = facts_of(authority)
    if of.fault(now_ms):
        return False
    names, addresses = _vouched(config, authority)
    ends = held.until_ms - now_ms <= RENEW_D * DAY_MS and held.until_ms < of.until_ms
    return ends or bool(held.fault(now_ms)) or not {*names, *map(str, addresses)} <= {*held.names}


def renew_when_due(config: SiteConfig, now_ms: int) -> bool:
    """Make the certificate of the pages anew where that is due; tell whether it was."""
    if not is_due(config, server_facts(config), now_ms):
        return False
    write_whole(folder_of(config) / SERVER, b"".join(issue(config, now_ms)), mode=0o600)
    return True


def keep_certificate(config: SiteConfig, context: ssl.SSLContext, now_ms: int, held: int) -> int:
    """Renew the certificate when it is due, and use it, or one that a command made, for who connects from here on.

    Parameters
    ----------
    config : SiteConfig
    context : ssl.SSLContext
        Of the pages.
    now_ms : int
        [ms since 1970, UTC]
    held : int
        What it returned before; 0 at first.

    Returns
    -------
    int
        What tells the certificate in use from another.
    """
    cert, _ = server_files(config)
    if config.pages.cert_file is None and (folder_of(config) / AUTHORITY).exists():
        renew_when_due(config, now_ms)
    now_held = cert.stat().st_mtime_ns
    if now_held != held:
        server_context(config)  # a certificate without its key would leave the one in use without either
        load_into(context, config)
    return now_held


def folder_of(config: SiteConfig) -> Path:
    """Return where the authority and its certificate are kept."""
    return config.data.certificate_dir


def server_files(config: SiteConfig) -> tuple[Path, Path]:
    """Return the files of the certificate and of its key: those of the settings, else the one made here."""
    own = config.pages.cert_file, config.pages.key_file
    if own[0] is not None and own[1] is not None:
        return own[0], own[1]
    return folder_of(config) / SERVER, folder_of(config) / SERVER


def server_facts(config: SiteConfig) -> CertificateFacts:
    """Return the certificate that the pages are served with. Raises NoCertificate where it does not read."""
    return facts_at(server_files(config)[0])


def authority_facts(config: SiteConfig) -> CertificateFacts:
    """Return the authority's own certificate. Raises NoCertificate where there is none."""
    return facts_at(folder_of(config) / AUTHORITY_OUT)


def doubts_of_time(config: SiteConfig, now_ms: int) -> list[str]:
    """Return what is wrong with the certificate and its authority by the time, or soon will be, each with what to do.

    Raises
    ------
    NoCertificate
        Where they do not read.
    """
    held, own = server_facts(config), config.pages.cert_file is None
    # Translators: both fill {does} of the two sentences about the certificate of the pages
    does = say("`sudo underturf certificate` makes another") if own else say("who made it makes another")
    lines = []
    if fault := held.fault(now_ms):
        lines.append(say("The certificate of the pages {fault}. Browsers refuse it: {does}.", fault=fault, does=does))
    elif held.until_ms - now_ms <= (RENEW_D - LATE_D) * DAY_MS:
        lines.append(
            say(
                "The certificate of the pages ends on {day} and has not been renewed: {does}.",
                day=held.last_day, does=does,
            )
        )  # fmt: skip
    if not own:
        return lines
    authority = authority_facts(config)
    if fault := authority.fault(now_ms):
        lines.append(say("The authority of this box {fault}. {anew}", fault=fault, anew=say(_ANEW)))
    elif authority.until_ms - now_ms <= AUTHORITY_TOLD_D * DAY_MS:
        lines.append(
            say(
                "The authority of this box ends on {day}. {anew} Do it before that day.",
                day=authority.last_day, anew=say(_ANEW),
            )
        )  # fmt: skip
    return lines


def doubts_of_names(config: SiteConfig) -> list[str]:
    """Return which names of the settings, and of the box where it made the certificate itself, that is not for.

    A browser that asks by one refuses it. Each line has what to do. Raises NoCertificate where it does not read.
    """
    held, own = server_facts(config).names, config.pages.cert_file is None
    asked = [*_names(config), *map(str, _addresses(config))] if own else sorted(config.pages.names)
    lacking = [name for name in asked if not any(_covers(one, name) for one in held)]
    if not lacking:
        return []
    told = "The certificate of the pages is not for {}, and a browser that asks by it refuses: {}"
    if not own:
        return [told.format(one, "who made it makes one for it.") for one in lacking]
    names, addresses = _vouched(config, _certificate(folder_of(config) / AUTHORITY_OUT))
    vouched = {*names, *map(str, addresses)}
    made = "`sudo underturf certificate` makes one for it."
    other = f"the authority of this box may not vouch for it. {_ANEW}"
    return [told.format(one, made if one in vouched else other) for one in lacking]


def server_context(config: SiteConfig) -> ssl.SSLContext:
    """Return what the pages are encrypted with: TLS 1.2 or later.

    Raises
    ------
    NoCertificate
        Where there is no certificate, or not one with its key, in words that say what to do.
    """
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    load_into(context, config)
    return context


def load_into(context: ssl.SSLContext, config: SiteConfig) -> None:
    """Use the certificate as it is now for whoever connects from here on. Raises NoCertificate."""
    cert, key = server_files(config)
    try:
        context.load_cert_chain(cert, key)
    except FileNotFoundError as err:
        raise NoCertificate(f"{cert}: found no certificate, expected one: `underturf certificate` makes it") from err
    except (OSError, ssl.SSLError) as err:
        raise NoCertificate(f"{cert}: found {err}, expected a certificate with its key, for this user to read") from err


def client_context(config: SiteConfig) -> ssl.SSLContext:
    """Return what a command on this box asks its own service with: it knows the very certificate, by whatever name."""
    context = ssl.create_default_context(cafile=str(server_files(config)[0]))
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    context.check_hostname = False
    return context


def facts_at(path: Path) -> CertificateFacts:
    """Return the certificate in a file. Raises NoCertificate where it does not read."""
    return facts_of(_certificate(path))


def certificate_text(path: Path) -> str:
    """Return a file of certificates, in PEM. Raises NoCertificate where it does not read."""
    _certificate(path)
    return path.read_text(encoding="ascii").strip()


def facts_of(certificate: x509.Certificate) -> CertificateFacts:
    try:
        given = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        names = tuple(str(one.value) for one in given)
    except x509.ExtensionNotFound:
        names = ()
    digits = certificate.fingerprint(SHA256()).hex(":").upper()
    return CertificateFacts(names, _ms(certificate.not_valid_before_utc), _until_ms(certificate), digits)


# --- what the box is called --------------------------------------------------------------------------------------


def _names(config: SiteConfig) -> list[str]:
    """Names in letters; a pattern of the settings is none."""
    return sorted(name for name in own_hosts(config.pages) if _address(name) is None)


def _addresses(config: SiteConfig) -> list[Address]:
    told = _address(config.pages.host)
    named = () if told is None or told.is_unspecified else (told,)
    return sorted({*own_addresses(), *named}, key=lambda one: (one.version, int(one)))


def own_addresses() -> set[Address]:
    """Return the addresses of this machine, loopback too, but for link-local and temporary ones of IPv6.

    Read from the kernel's tables (proc(5)): the service may not ask by netlink.
    """
    found: set[Address] = {ipaddress.ip_address("127.0.0.1"), ipaddress.ip_address("::1")}
    table = _text(Path("/proc/net/fib_trie"))
    found |= {ipaddress.ip_address(one) for one in re.findall(r"\|-- (\S+)\n\s+/32 host LOCAL", table)}
    for line in _text(Path("/proc/net/if_inet6")).splitlines():
        digits, _, _, scope, flags, _ = line.split()
        if scope != "20" and not int(flags, 16) & 0x01:  # link-local; IFA_F_TEMPORARY of rtnetlink(7)
            found.add(ipaddress.IPv6Address(int(digits, 16)))
    return found


def _text(path: Path) -> str:
    try:
        return path.read_text()
    except OSError:  # a machine without IPv6, or a kernel without this table
        return ""


def _address(text: str) -> Address | None:
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        return None


def _covers(held: str, name: str) -> bool:
    """Whether a name of a certificate stands for another: the same, or a star for its first label (RFC 9525, 6.3)."""
    return held.lower() == name or (held.startswith("*.") and held[2:].lower() == name.partition(".")[2])


# --- making ------------------------------------------------------------------------------------------------------


def _new_authority(
    config: SiteConfig, names: Sequence[str], addresses: Iterable[Address], now_ms: int
) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate]:
    key = ec.generate_private_key(ec.SECP256R1())
    private: list[Network] = [ipaddress.ip_network(one) for one in PRIVATE]
    private += [ipaddress.ip_network(one) for one in addresses if not any(one in net for net in private)]
    permitted = [*map(x509.DNSName, names), *map(x509.IPAddress, private)]
    name = _called(f"Underturf at {config.site.title}, authority")
    made = (
        _begun(name, name, key, now_ms, AUTHORITY_D)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(authority=True), critical=True)
        .add_extension(x509.NameConstraints(permitted, None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, SHA256())
    )
    return key, made


def _signed(
    authority_key: ec.EllipticCurvePrivateKey,
    authority: x509.Certificate,
    named: tuple[Sequence[str], Sequence[Address]],
    now_ms: int,
) -> tuple[bytes, bytes]:
    """Return another key and a certificate for it, which ends with the authority at the latest."""
    key, (names, addresses) = ec.generate_private_key(ec.SECP256R1()), named
    given = x509.SubjectAlternativeName([*map(x509.DNSName, names), *map(x509.IPAddress, addresses)])
    by = x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key())
    last = _until_ms(authority)
    made = (
        _begun(_called("Underturf server"), authority.subject, key, now_ms, SERVER_D, last_ms=last)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(authority=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(given, critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(by, critical=False)
        .sign(authority_key, SHA256())
    )
    return _key_pem(key), _pem(made)


def _begun(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    now_ms: int,
    days: int,
    *,
    last_ms: int | None = None,
) -> x509.CertificateBuilder:
    now = datetime.datetime.fromtimestamp(now_ms // 1000, datetime.UTC)
    ends = now + datetime.timedelta(days=days)
    if last_ms is not None:
        ends = min(ends, datetime.datetime.fromtimestamp(last_ms / 1000, datetime.UTC))
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(milliseconds=EARLIER_MS))
        .not_valid_after(ends)
    )


def _called(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, text[:MOST_CN])])


def _usage(*, authority: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not authority, key_cert_sign=authority, crl_sign=authority, content_commitment=False,
        key_encipherment=False, data_encipherment=False, key_agreement=False, encipher_only=False, decipher_only=False,
    )  # fmt: skip


def _permitted(authority: x509.Certificate) -> list[x509.GeneralName]:
    return list(authority.extensions.get_extension_for_class(x509.NameConstraints).value.permitted_subtrees or ())


def _vouched(config: SiteConfig, authority: x509.Certificate) -> tuple[list[str], list[Address]]:
    """Return the names and addresses of this box that an authority may vouch for."""
    permitted = _permitted(authority)
    names = [name for name in _names(config) if _may_name(permitted, name)]
    return names, [address for address in _addresses(config) if _may_address(permitted, address)]


def _may_name(permitted: Iterable[x509.GeneralName], name: str) -> bool:
    """Whether a name is one that is permitted, or below one (RFC 5280, 4.2.1.10)."""
    return any(isinstance(one.value, str) and f".{name}".endswith(f".{one.value}") for one in permitted)


def _may_address(permitted: Iterable[x509.GeneralName], address: Address) -> bool:
    nets = [one.value for one in permitted if isinstance(one.value, ipaddress.IPv4Network | ipaddress.IPv6Network)]
    return any(address in net for net in nets)


# --- files -------------------------------------------------------------------------------------------------------


def _pem(certificate: x509.Certificate) -> bytes:
    return bytes(certificate.public_bytes(Encoding.PEM))


def _key_pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))


def _read(path: Path) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate]:
    certificate = _certificate(path)
    try:
        key = load_pem_private_key(path.read_bytes(), None)
    except (ValueError, TypeError) as err:
        raise NoCertificate(f"{path}: found no key in it ({err}), expected that of the authority. {_ANEW}") from err
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise NoCertificate(f"{path}: found a key of another kind, expected one of an elliptic curve. {_ANEW}")
    return key, certificate


def _certificate(path: Path) -> x509.Certificate:
    try:
        return x509.load_pem_x509_certificate(path.read_bytes())
    except FileNotFoundError as err:
        raise NoCertificate(f"{path}: found no certificate, expected one: `underturf certificate` makes it") from err
    except (OSError, ValueError) as err:
        raise NoCertificate(f"{path}: found no certificate that reads ({err}), expected one in PEM") from err


def _give_folder(folder: Path, like: Path) -> None:
    """Give a folder that root has made to the owner of another one. What is no folder, but a link, is not followed."""
    if os.geteuid() == 0:
        owner, opened = like.stat(), os.open(folder, OPEN_FOLDER)
        os.fchown(opened, owner.st_uid, owner.st_gid)
        os.close(opened)


def write_whole(path: Path, text: bytes, *, mode: int, group: int | None = None) -> None:
    """Write a file whole or not at all; one with a key is at no moment for others to read.

    It is given to the owner of its folder, or to root and a group. The folder may be the service's, and root the one
    who writes: so nothing there is gone by but the folder that is open, and the file that is made in it, whatever
    somebody with the service's rights does to their names meanwhile.
    """
    folder = os.open(path.parent, OPEN_FOLDER)
    part = f".{path.name}.{secrets.token_hex(8)}.part"
    try:
        opened = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600, dir_fd=folder)
        try:
            with open(opened, "wb") as file:
                if os.geteuid() == 0:
                    of = os.fstat(folder)
                    os.fchown(file.fileno(), *((of.st_uid, of.st_gid) if group is None else (0, group)))
                os.fchmod(file.fileno(), mode)
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.rename(part, path.name, src_dir_fd=folder, dst_dir_fd=folder)
        except BaseException:
            with suppress(FileNotFoundError):
                os.unlink(part, dir_fd=folder)
            raise
        os.fsync(folder)
    finally:
        os.close(folder)


def _day(at_ms: int) -> str:
    return f"{datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC):%Y-%m-%d}"


def _until_ms(certificate: x509.Certificate) -> int:
    return _ms(certificate.not_valid_after_utc)


def _ms(at: datetime.datetime) -> int:
    return round(at.timestamp() * 1000)
