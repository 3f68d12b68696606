"""A cluster of one machine that speaks enough of the Kubernetes API for an engine to run on it.

Whoever asks for a pod gets a process of this machine: what the image's entry point starts, with
the pod's environment.  What was asked for is kept, so that a test can read it.  Paths and objects:
Kubernetes API v1.32, core/v1, as the engine's own client uses them.
"""

import json
import os
import re
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

_KIND_OF = {
    "pods": "Pod",
    "configmaps": "ConfigMap",
    "persistentvolumeclaims": "PersistentVolumeClaim",
}
_PATH = re.compile(r"/api/v1/namespaces/(?P<namespace>[\w-]+)/(?P<kind>\w+)(/(?P<name>[\w.-]+))?")


@dataclass
class Cluster:
    """What was asked for, and the processes that run for it."""

    entry_point: Path  # of the image
    folder: Path  # for what the processes print
    environment: dict[str, str]  # what the image sets
    address: str = ""
    pods: dict[str, dict[str, Any]] = field(default_factory=dict)
    namespaces: set[str] = field(default_factory=set)
    calls: set[tuple[str, str]] = field(default_factory=set)  # as a Role allows them: verb, kind
    others: list[dict[str, Any]] = field(default_factory=list)
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    has_ended: threading.Event = field(default_factory=threading.Event)

    def begin(self, pod: dict[str, Any]) -> dict[str, Any]:
        """Let a pod run; give it as the API does."""
        name = pod["metadata"]["name"]
        (container,) = pod["spec"]["containers"]
        told = {each["name"]: value_of(each, name) for each in container["env"]}
        with (self.folder / f"{name}.log").open("wb") as log:
            self.running[name] = subprocess.Popen(
                ["/bin/sh", str(self.entry_point), *container["args"]],
                # the pod's own disk is this folder
                env=os.environ | self.environment | told | {"SPARK_LOCAL_DIRS": str(self.folder)},
                cwd=self.folder,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        made_at = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        pod["metadata"] |= {"uid": name, "resourceVersion": "1", "creationTimestamp": made_at}
        self.pods[name] = pod
        return self.shown(name)

    def shown(self, name: str) -> dict[str, Any]:
        """Give a pod with what became of it."""
        ended = self.running[name].poll()
        phase = "Running" if ended is None else "Failed" if ended else "Succeeded"
        state = {"running": {}} if ended is None else {"terminated": {"exitCode": ended}}
        (container,) = self.pods[name]["spec"]["containers"]
        statuses = [{"name": container["name"], "state": state, "ready": ended is None}]
        return self.pods[name] | {"status": {"phase": phase, "containerStatuses": statuses}}

    def end(self) -> None:
        """Stop what runs."""
        self.has_ended.set()
        for process in self.running.values():
            process.kill()
            process.wait()


def value_of(variable: dict[str, Any], pod: str) -> str:
    """Give what a variable of a container's environment is: a text, or a field of its pod."""
    if "value" in variable:
        return str(variable["value"])
    place = variable["valueFrom"]["fieldRef"]["fieldPath"]
    return {"status.podIP": "127.0.0.1", "metadata.name": pod}[place]


@contextmanager
def cluster(entry_point: Path, folder: Path, environment: dict[str, str]) -> Iterator[Cluster]:
    """Give a cluster for the block."""
    found = Cluster(entry_point, folder, environment)

    class Api(_Api):
        of = found

    server = ThreadingHTTPServer(("127.0.0.1", 0), Api)
    server.daemon_threads = True
    found.address = f"http://127.0.0.1:{server.server_port}"
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield found
    finally:
        found.end()
        server.shutdown()
        server.server_close()


class _Api(BaseHTTPRequestHandler):
    """The calls that the engine makes."""

    protocol_version = "HTTP/1.1"
    of: Cluster

    def do_GET(self) -> None:
        """List, or show one; who asks to be told of changes is told of none: it asks again."""
        asked = parse_qs(urlsplit(self.path).query)
        is_watch = asked.get("watch") == ["true"]
        kind, name = self._asked("watch" if is_watch else "get", "list")
        if is_watch and self.headers.get("Upgrade"):
            self._answer({})  # no web socket: it asks again without
        elif is_watch:
            self.send_response(200)
            self.send_header("Content-Type", "application/json")
            self.send_header("Transfer-Encoding", "chunked")
            self.end_headers()
            self.of.has_ended.wait()
            self.close_connection = True
        elif name:
            known = kind == "pods" and name in self.of.pods
            self._answer(self.of.shown(name) if known else _no_such(name), 200 if known else 404)
        else:
            items = [self.of.shown(each) for each in self.of.pods] if kind == "pods" else []
            listed = {"kind": f"{_KIND_OF[kind]}List", "apiVersion": "v1", "items": items}
            self._answer(listed | {"metadata": {"resourceVersion": "1"}})

    def do_POST(self) -> None:
        """Make something."""
        kind, _ = self._asked("create")
        told = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        if kind == "pods":
            told = self.of.begin(told)
        else:
            self.of.others.append(told)
        self._answer(told, 201)

    def do_PATCH(self) -> None:
        """Change something: nothing here hangs on it."""
        self.rfile.read(int(self.headers.get("Content-Length") or 0))
        _, name = self._asked("patch")
        self._answer(self.of.shown(name) if name in self.of.pods else {})

    def do_DELETE(self) -> None:
        """Take something away."""
        self.rfile.read(int(self.headers.get("Content-Length") or 0))
        _, name = self._asked("delete", "deletecollection")
        for each, process in self.of.running.items():
            if name in ("", each):
                process.terminate()
        self._answer({"kind": "Status", "apiVersion": "v1", "status": "Success"})

    def log_message(self, *_: object) -> None:
        """Say nothing."""

    def _asked(self, verb: str, of_many: str = "") -> tuple[str, str]:
        """Give the kind and name a call is about; note it by its verb, or by that ``of_many``."""
        found = _PATH.fullmatch(urlsplit(self.path).path)
        assert found, self.path
        kind, name = found["kind"], found["name"] or ""
        self.of.namespaces.add(found["namespace"])
        self.of.calls.add((verb if name or verb == "watch" else of_many or verb, kind))
        return kind, name

    def _answer(self, told: dict[str, Any], status: int = 200) -> None:
        body = json.dumps(told).encode()
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)


def _no_such(name: str) -> dict[str, Any]:
    return {"kind": "Status", "apiVersion": "v1", "status": "Failure", "reason": "NotFound",
            "message": f"{name} not found", "code": 404}  # fmt: skip
