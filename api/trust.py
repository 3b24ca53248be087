"""What a phone needs to trust the pages: the certificate of the authority, and how to know that it is the right one."""

from __future__ import annotations

from contextlib import suppress

from fastapi import APIRouter, Request, Response

from api import schema
from api.data import iso, pipeline_of
from api.problems import Problem
from pipeline.service import Pipeline

CERTIFICATE_TYPE = "application/x-x509-ca-cert"  # what phones take for an authority to be installed; from memory

router = APIRouter(tags=["site"])


@router.get("/api/v1/certificate", summary="How the pages are encrypted, for which names and until when")
def get_certificate(request: Request) -> schema.CertificateOut:
    return certificate_now(pipeline_of(request))


@router.get(
    "/trust/authority.crt",
    summary="The certificate of this box's own authority, for a phone to install",
    response_class=Response,
    responses={200: {"content": {CERTIFICATE_TYPE: {"example": "-----BEGIN CERTIFICATE-----"}}}},
)
def authority_file(request: Request) -> Response:
    from api.certificate import AUTHORITY_OUT, folder_of

    config = pipeline_of(request).config
    try:
        text = (folder_of(config) / AUTHORITY_OUT).read_bytes()
    except FileNotFoundError as err:
        detail = "found no authority of this box, expected one: `underturf certificate` makes it"
        raise Problem(404, "No authority", detail) from err
    name = f"underturf-{config.site.name}.crt"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(text, media_type=CERTIFICATE_TYPE, headers=headers)


def certificate_now(pipeline: Pipeline) -> schema.CertificateOut:
    """Return the certificate and the authority as they are on the disk; what is not there is null."""
    from api.certificate import NoCertificate, authority_facts, server_facts

    pages = pipeline.config.pages
    server = authority = None
    with suppress(NoCertificate):  # what there is of them is told
        server = server_facts(pipeline.config)
    with suppress(NoCertificate):
        authority = None if pages.cert_file is not None else authority_facts(pipeline.config)
    return schema.CertificateOut(
        encrypted=pages.is_encrypted,
        own_authority=pages.cert_file is None,
        authority_sha256=None if authority is None else authority.fingerprint,
        authority_until=None if authority is None else iso(authority.until_ms),
        names=[] if server is None else list(server.names),
        begins=None if server is None else iso(server.from_ms),
        until=None if server is None else iso(server.until_ms),
    )
