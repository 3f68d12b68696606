"""Numbers for a monitoring system, in the Prometheus text format, version 0.0.4.

Format: https://prometheus.io/docs/instrumenting/exposition_formats/ (HELP and TYPE once a
metric; in label values a backslash, a quote and a line feed are escaped).
"""

import os
import tempfile
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Final, Literal

CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric with its samples: labels (name, value) and number."""

    name: str
    says: str
    kind: Literal["gauge", "counter"]
    samples: tuple[tuple[tuple[tuple[str, str], ...], float], ...]


def metrics_text(metrics: Iterable[Metric]) -> str:
    """Write metrics in the text format."""
    lines: list[str] = []
    for metric in metrics:
        says = metric.says.replace("\\", "\\\\").replace("\n", "\\n")
        lines += [f"# HELP {metric.name} {says}", f"# TYPE {metric.name} {metric.kind}"]
        for labels, value in metric.samples:
            told = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels)
            lines.append(f"{metric.name}{f'{{{told}}}' if told else ''} {float(value)!r}")
    return "\n".join(lines) + "\n"


def write_metrics(path: Path, text: str) -> None:
    """Replace the metrics file as a whole, readable by the collector that picks it up."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(
        "w", dir=path.parent, prefix=".metrics-", delete=False, encoding="utf-8"
    ) as file:
        file.write(text)
    # numbers only: no vehicle or person is named in it
    os.chmod(file.name, 0o644)  # noqa: PTH101 - a collector runs as another user
    Path(file.name).replace(path)


class Board:
    """The text an endpoint answers with; replaced as a whole."""

    def __init__(self) -> None:
        self.text = ""


@contextmanager
def endpoint(port: int, board: Board) -> Iterator[int]:
    """Answer ``/metrics`` on this machine only while the block runs; yield the port (0: any)."""

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            if self.path != "/metrics":
                self.send_error(404)
                return
            body = board.text.encode()
            self.send_response(200)
            self.send_header("Content-Type", CONTENT_TYPE)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Stay quiet: a line a scrape tells nothing."""

    with ThreadingHTTPServer(("127.0.0.1", port), Answer) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield int(server.server_address[1])
        finally:
            server.shutdown()
            thread.join()


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
