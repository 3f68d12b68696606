"""Numbers for a monitoring system, in the Prometheus text format.

The format, its escaping and the server are prometheus-client's.  Importing it costs about 75 ms of
processor time: code that publishes nothing does not import this module.
"""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TypeAlias

from prometheus_client import CollectorRegistry, generate_latest, start_http_server
from prometheus_client import write_to_textfile as write_textfile
from prometheus_client.metrics_core import CounterMetricFamily, GaugeMetricFamily, Metric

Metrics: TypeAlias = tuple[Metric, ...]
ON_THIS_MACHINE = "127.0.0.1"


class Board:
    """The metrics an endpoint answers with; replaced as a whole."""

    def __init__(self, metrics: Iterable[Metric] = ()) -> None:
        self.metrics = tuple(metrics)

    def collect(self) -> Iterable[Metric]:
        """Give the metrics now on the board."""
        return self.metrics


def gauge(name: str, meaning: str, value: float) -> Metric:
    """Build a metric of one number."""
    return GaugeMetricFamily(name, meaning, value=value)


def by_label(name: str, meaning: str, label: str, values: Mapping[str, float]) -> Metric:
    """Build a metric with a number for each value of a label; a counter where named ``_total``."""
    family = CounterMetricFamily if name.endswith("_total") else GaugeMetricFamily
    metric = family(name, meaning, labels=(label,))
    for key, value in values.items():
        metric.add_metric((key,), value)
    return metric


def metrics_text(metrics: Iterable[Metric]) -> str:
    """Write metrics in the text format, version 0.0.4."""
    return generate_latest(_registry(Board(metrics))).decode()


def write_metrics(path: Path, metrics: Iterable[Metric]) -> None:
    """Replace the metrics file as a whole, readable by the collector that picks it up."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_textfile(str(path), _registry(Board(metrics)))
    # a collector runs as another user; numbers only: no vehicle or person is named in it
    path.chmod(0o644)


@contextmanager
def endpoint(port: int, board: Board) -> Iterator[int]:
    """Answer on this machine only while the block runs; yield the port (0: any free one)."""
    server, thread = start_http_server(port, ON_THIS_MACHINE, _registry(board))
    try:
        yield int(server.server_port)
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def _registry(board: Board) -> CollectorRegistry:
    registry = CollectorRegistry()
    registry.register(board)
    return registry
