"""A phone on a network of its own: Chromium that trusts one authority, in a window of a phone's size; it can be killed.

The authority is given to it by the policy `CACertificates` (Chromium's own list of policies), which stands in for the
hand that installs it from the page that says how: its verifier looks at the certificate as at any other. The policy is
in a folder that only this Chromium sees.
"""

from __future__ import annotations

import base64
import json
import os
import shlex
import signal
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from playwright.sync_api import BrowserContext, Error, Page, Playwright

from tests.browser.conftest import QUIET, SETTLE_MS
from tests.lan import Machine
from tests.pipeline.conftest import wait_until

POLICIES = "/etc/chromium/policies/managed"


class Phone:
    """One phone: `page` while it is on. What it keeps is in a folder, as it is when it is killed."""

    page: Page

    def __init__(self, play: Playwright, machine: Machine, folder: Path, program: str, authority: Path | None) -> None:
        self._play, self._folder = play, folder
        folder.mkdir()
        given = [] if authority is None else [_der(authority)]
        (folder / "policy.json").write_text(json.dumps({"CACertificates": given}))
        inner = (
            f"mount --make-rprivate / && mount -t tmpfs none /etc/chromium && mkdir -p {POLICIES} && "
            f'cp {shlex.quote(str(folder / "policy.json"))} {POLICIES} && exec {shlex.quote(program)} "$@"'
        )
        self._program = folder / "chromium"
        command = [*machine.entering, "unshare", "--mount", "sh", "-c", inner, "sh"]
        self._program.write_text(f'#!/bin/sh\nexec {shlex.join(command)} "$@"\n')
        self._program.chmod(0o755)

    @contextmanager
    def on(self) -> Iterator[Page]:
        """Start the browser, with all that was kept before; it is closed at the end, unless it has been killed."""
        context = self._play.chromium.launch_persistent_context(
            str(self._folder / "profile"), executable_path=str(self._program), args=["--no-sandbox", *QUIET],
            viewport={"width": 390, "height": 844},
        )  # fmt: skip
        context.set_default_timeout(SETTLE_MS)
        try:
            yield context.pages[0]
        finally:
            with suppress(Error):  # it was killed
                context.close()

    def kill(self) -> None:
        """End the browser as a phone does that runs out of memory or power: without a word to it."""
        (pid,) = self._running()
        os.kill(pid, signal.SIGKILL)
        wait_until(lambda: not self._running(), "the browser is gone")

    def _running(self) -> list[int]:
        found = []
        for folder in Path("/proc").iterdir():
            with suppress(OSError):
                words = (folder / "cmdline").read_bytes().split(b"\0") if folder.name.isdigit() else []
                mine = f"--user-data-dir={self._folder / 'profile'}".encode() in words
                if mine and not any(word.startswith(b"--type=") for word in words):
                    found.append(int(folder.name))
        return found


def has_worker(context: BrowserContext) -> bool:
    """Whether a worker of the pages runs."""
    return any(one.url.endswith("/sw.js") for one in context.service_workers)


def _der(authority: Path) -> str:
    certificate = x509.load_pem_x509_certificate(authority.read_bytes())
    return base64.b64encode(certificate.public_bytes(Encoding.DER)).decode()
