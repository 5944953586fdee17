"""What is believed and how watching is going, as metrics for Prometheus and the like (OpenMetrics where that is
asked for, https://prometheus.io/docs/specs/om/open_metrics_spec/).

Base units, as the specification has them: metres, seconds, degrees Celsius, ratios. Labels hold names of jars, sources
and fixed reasons, never a note or anything else that somebody typed. prometheus-client is imported when it is asked.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from monitor import __version__
from monitor.page.health import size_bytes
from monitor.runs import daemon_status, outbox
from monitor.runs.daemon_status import Status
from monitor.runs.store import Store
from monitor.values import JarState, Stage

MM, HOUR_S = 1000.0, 3600.0


def text(store: Store, now_s: float, accept: str) -> tuple[bytes, str]:
    """The metrics and their content type, in the form that an Accept header asks for. Raises StoreTrouble."""
    from prometheus_client import CollectorRegistry
    from prometheus_client.exposition import choose_encoder

    families = list(_families(store, now_s))

    class Collector:
        def collect(self) -> list[Any]:
            return families

    registry = CollectorRegistry(auto_describe=False)
    registry.register(Collector())
    encoder, kind = choose_encoder(accept)
    return encoder(registry), kind


def _families(store: Store, now_s: float) -> Iterator[Any]:
    from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily

    status = daemon_status.read(store)
    yield InfoMetricFamily("jartide_build", "The program.", value={"version": __version__})
    watching = status is not None and now_s - status.as_of_s <= daemon_status.STALE_S
    yield GaugeMetricFamily("jartide_watching", "Whether the daemon watches.", value=float(watching))
    yield GaugeMetricFamily("jartide_store_items", "Items in the store.", value=store.last_seq())
    if (size := size_bytes(store.path)) is not None:
        yield GaugeMetricFamily("jartide_store_bytes", "Size of the store.", value=size)
    notices = GaugeMetricFamily("jartide_notices", "The latest 50 notices by their outcome.", labels=["state"])
    counts = Counter(one.state.value for one in outbox.latest(store))
    for state in outbox.State:
        notices.add_metric([state.value], counts[state.value])
    yield notices
    rejected = CounterMetricFamily("jartide_rejected", "Messages that were not readings.", labels=["source", "reason"])
    sums: Counter[tuple[str, str]] = Counter()
    for _, source, reason, count, *_ in store.rejected_counts(""):
        sums[source, reason] += count
    for (source, reason), count in sorted(sums.items()):
        rejected.add_metric([source, reason], count)
    yield rejected
    if status is not None:
        yield from _of_daemon(status)
        yield from _of_jars(status)


def _of_daemon(status: Status) -> Iterator[Any]:
    from prometheus_client.core import GaugeMetricFamily

    yield GaugeMetricFamily("jartide_as_of_timestamp_seconds", "When the daemon reported this.", value=status.as_of_s)
    yield GaugeMetricFamily(
        "jartide_troubles", "Troubles of everything except the sources.", value=len(status.troubles)
    )
    connected = GaugeMetricFamily("jartide_source_connected", "Whether a source is connected.", labels=["source"])
    trouble = GaugeMetricFamily("jartide_source_trouble", "Whether a source is in trouble.", labels=["source"])
    heard = GaugeMetricFamily(
        "jartide_source_last_message_timestamp_seconds", "When anything last arrived.", labels=["source"]
    )
    for source in status.sources:
        connected.add_metric([source.name], float(source.connected))
        trouble.add_metric([source.name], float(source.trouble is not None))
        if source.last_message_s is not None:
            heard.add_metric([source.name], source.last_message_s)
    yield from (connected, trouble, heard)


GAUGES = {
    "jartide_level_meters": "Height of the surface above the inside bottom.",
    "jartide_rise_ratio": "Volume now over volume at the starting level.",
    "jartide_rise_ratio_sd": "Its standard deviation.",
    "jartide_slope_meters_per_second": "How fast the surface rises.",
    "jartide_temperature_celsius": "At the jar's wall.",
    "jartide_last_reading_timestamp_seconds": "When the last reading came.",
    "jartide_fed_timestamp_seconds": "When the open cycle's feeding was.",
    "jartide_peak_timestamp_seconds": "When its peak was.",
    "jartide_fall_timestamp_seconds": "When it began to fall: feed now, until it is fed.",
    "jartide_silent": "Whether its sensor is silent.",
    "jartide_question": "Whether a question is waiting for an answer.",
}


def _of_jar(state: JarState) -> dict[str, float | None]:
    level, cycle = state.level, state.cycle
    slope = state.slope_mm_per_h
    values = (
        level.level_mm / MM if level is not None and level.level_mm is not None else None,
        level.rise_ratio if level is not None else None,
        level.rise_ratio_sd if level is not None else None,
        None if slope is None else slope / MM / HOUR_S,
        state.temperature_c,
        state.last_reading_s,
        cycle.fed_at_s if cycle is not None else None,
        cycle.peak_at_s if cycle is not None else None,
        cycle.fall_at_s if cycle is not None else None,
        float(state.silent_since_s is not None),
        float(state.question is not None),
    )
    return dict(zip(GAUGES, values, strict=True))


def _of_jars(status: Status) -> Iterator[Any]:
    from prometheus_client.core import GaugeMetricFamily, StateSetMetricFamily

    of_jars = {state.jar: _of_jar(state) for state in status.jars}
    for name, words in GAUGES.items():
        family = GaugeMetricFamily(name, words, labels=["jar"])
        for jar, values in of_jars.items():
            if (value := values[name]) is not None:
                family.add_metric([jar], value)
        yield family
    stage = StateSetMetricFamily("jartide_stage", "Where the open cycle is.", labels=["jar"])
    expected = GaugeMetricFamily(
        "jartide_expected_timestamp_seconds",
        "When peak and start of fall are expected.",
        labels=["jar", "what", "bound"],
    )
    for state in status.jars:
        stage.add_metric([state.jar], {one.value: one is state.stage for one in Stage})
        if state.forecast is None:
            continue
        for what, span in (("peak", state.forecast.peak_at), ("fall", state.forecast.fall_at)):
            bounds = {"earliest": span.earliest_s, "likely": span.likely_s, "latest": span.latest_s} if span else {}
            for bound, at_s in bounds.items():
                expected.add_metric([state.jar, what, bound], at_s)
    yield from (stage, expected)
