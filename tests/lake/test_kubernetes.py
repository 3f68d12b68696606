"""The recipe for Kubernetes in the help page, word by word, on a stand-in for a cluster.

Checked beside the engine's own client: what is asked of the API (Kubernetes v1.32, core/v1) by an
engine with the page's settings, the page's entry point run for each pod, and the page's Role.
Skipped without Spark or Java; the project's own run installs both.
"""

import os
import re
import shutil
import subprocess
import sys
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
import yaml

from afterclear.commands.analysis.analysing import analyse, last_event
from afterclear.commands.app import App
from afterclear.commands.lake.filling_lake import fill_lake
from tests.lake.cluster import cluster, value_of
from tests.lake.comparing import differing
from tests.store.care_fixture import copy_of_garage

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("default")]
needs_spark = pytest.mark.skipif(
    find_spec("pyspark") is None or shutil.which("java") is None,
    reason="needs Apache Spark (pip install 'afterclear[spark]') and Java",
)
_FEWER = {"spark.executor.instances": "2"}  # on one machine


def recipe(name: str) -> str:
    """Give one of the page's files."""
    page = files("afterclear").joinpath("help/lakes.md").read_text(encoding="utf-8")
    found = re.search(
        rf"^`{re.escape(name)}`:\n\n```\w+\n(.*?)^```$", page, re.MULTILINE | re.DOTALL
    )
    assert found, name
    return found[1]


def objects() -> dict[str, Any]:
    """Give what the cluster is told to have, by kind."""
    return {each["kind"]: each for each in yaml.safe_load_all(recipe("fleet.yaml"))}


def settings() -> dict[str, str]:
    """Give the engine's settings."""
    return dict(line.split(maxsplit=1) for line in recipe("spark-defaults.conf").splitlines())


@needs_spark
def test_a_lake_is_analysed_by_pods_that_the_page_describes(template: Path, tmp_path: Path) -> None:
    app = copy_of_garage(template, tmp_path / "garage")
    lake = tmp_path / "lake"
    fill_lake(app, lake, 3)
    conf, pods = tmp_path / "conf", tmp_path / "pods"
    for folder in (conf, pods):
        folder.mkdir()
    told = settings() | _FEWER
    lines = "".join(f"{name} {value}\n" for name, value in told.items())
    (conf / "spark-defaults.conf").write_text(lines)
    (conf / "worker.sh").write_text(recipe("worker.sh"))
    with cluster(conf / "worker.sh", pods, image()) as there:
        engine = f"k8s://{there.address}"
        run = analysed(app, lake, engine, conf)
    logs = "\n".join(file.read_text(errors="replace")[-2000:] for file in pods.iterdir())
    assert run.returncode == 0, run.stderr[-3000:] + logs
    analyse(app, full=True, as_of=last_event(app))
    assert differing(app, lake) == {}
    assert there.namespaces == {"fleet"}
    assert there.pods
    for pod in there.pods.values():
        check_pod(pod)
    (rule,) = objects()["Role"]["rules"]
    assert there.calls <= {(verb, kind) for verb in rule["verbs"] for kind in rule["resources"]}


def image() -> dict[str, str]:
    """Give what the image sets, where this machine has it."""
    import pyspark  # noqa: PLC0415 - need not be there

    (line,) = re.findall(r"^ENV (.*)$", recipe("Dockerfile"), re.MULTILINE)
    named = {name for name, _, _ in (each.partition("=") for each in line.split())}
    here = {"SPARK_HOME": str(Path(pyspark.__file__).parent), "PYSPARK_PYTHON": sys.executable}
    assert named == set(here)
    return here


def analysed(app: App, lake: Path, engine: str, conf: Path) -> "subprocess.CompletedProcess[str]":
    """Give the command as the job does, with its environment."""
    (driver,) = objects()["Job"]["spec"]["template"]["spec"]["containers"]
    told = {each["name"]: value_of(each, "driver") for each in driver["env"]}
    here = {"SPARK_CONF_DIR": str(conf), "TMPDIR": str(conf.parent)}
    assert here.keys() <= told.keys()
    asked = ["--store", str(app.store), "lake-analyse", str(lake), "--engine", engine]
    asked += ["--as-of", f"{last_event(app):%Y-%m-%dT%H:%M:%S}"]
    return subprocess.run(
        [sys.executable, "-m", "afterclear", *asked],
        env=os.environ | told | here,
        capture_output=True,
        text=True,
        check=False,
        timeout=400,
    )


def check_pod(pod: dict[str, Any]) -> None:
    """Hold a pod that was asked for against the page."""
    (container,) = pod["spec"]["containers"]
    assert container["image"] == "registry.example/afterclear:0.1.0"
    assert container["args"] == ["executor"]
    assert container["resources"]["requests"]["cpu"] == "2"
    assert container["resources"]["limits"]["memory"] == "5120Mi"
    mounted = {each["name"]: each["mountPath"] for each in container["volumeMounts"]}
    (lake,) = [each for each in pod["spec"]["volumes"] if "persistentVolumeClaim" in each]
    assert lake["persistentVolumeClaim"]["claimName"] == "lake"
    assert mounted[lake["name"]] == "/srv/lake"


def test_the_job_and_the_engine_mean_the_same_places() -> None:
    told, there = settings(), objects()
    namespaces = {each["metadata"]["namespace"] for each in there.values()}
    assert namespaces == {told["spark.kubernetes.namespace"]}
    job = there["Job"]["spec"]["template"]["spec"]
    (driver,) = job["containers"]
    assert driver["image"] == told["spark.kubernetes.container.image"]
    mounts = {each["name"]: each["mountPath"] for each in driver["volumeMounts"]}
    assert mounts.keys() == {each["name"] for each in job["volumes"]}
    of_workers = "spark.kubernetes.executor.volumes.persistentVolumeClaim.lake"
    assert told[f"{of_workers}.mount.path"] == mounts["lake"] == driver["args"][2]
    assert job["serviceAccountName"] == there["RoleBinding"]["subjects"][0]["name"]
    assert there["RoleBinding"]["roleRef"]["name"] == there["Role"]["metadata"]["name"]
