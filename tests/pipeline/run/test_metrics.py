"""Every queue, retry and limit shows a number, and two pipelines in one process do not add up."""

from __future__ import annotations

from prometheus_client.parser import text_string_to_metric_families

from pipeline.run.metrics import Metrics


def test_every_metric_has_words_and_the_prefix() -> None:
    """The text is read by the library's own parser; each family is ours and says what it counts."""
    families = list(text_string_to_metric_families(Metrics().text().decode()))
    assert len(families) > 25
    assert all(f.name.startswith("underturf_") and len(f.documentation) > 10 for f in families)


def test_two_registries_are_apart() -> None:
    """What one pipeline counts is not in the other's text."""
    one, other = Metrics(), Metrics()
    one.readings.inc(5)
    assert other.registry.get_sample_value("underturf_readings_kept_total") == 0
    assert one.registry.get_sample_value("underturf_readings_kept_total") == 5
