"""`underturf serve`: broker, pipeline and pages in one service, until told to stop."""

from __future__ import annotations

import logging

import uvicorn
from pipeline.service import Pipeline

from api.app import create_app
from pipeline.site import SiteConfig

STOP_WITHIN_S = 5  # live updates are cut after that


def serve(config: SiteConfig) -> int:
    """Run until SIGINT or SIGTERM. Returns the exit code."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s %(message)s")
    logging.getLogger("httpx").setLevel(logging.WARNING)
    pipeline = Pipeline(config)
    pipeline.start()
    try:
        uvicorn.run(
            create_app(pipeline),
            host=config.pages.host,
            port=config.pages.port,
            log_level="warning",
            access_log=False,
            timeout_graceful_shutdown=STOP_WITHIN_S,
        )
    finally:
        pipeline.stop()
    return 0
