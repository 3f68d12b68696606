"""Who works on the buckets: this process one after another, or Apache Spark on many machines.

Either gets the same function and numbers of tasks, and gives back what each task told. Spark tries
a task again that failed or whose worker is gone; a task that finds its bucket done does nothing.
"""

import json
import os
import shutil
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from typing import Any, Final

from afterclear.errors import StoreError, UsageError

Told = dict[str, Any]  # by a task: what JSON has
Work = Callable[[int], Told]
Workers = Callable[[Work, int, Callable[[int], None]], list[Told]]

HERE: Final = "here"
_TRIES: Final = 4  # of one task; more failures than that are no accident
_SCHEMA: Final = "told string"


@contextmanager
def workers_of(engine: str) -> Iterator[Workers]:
    """Give what does tasks 0 to n - 1 and what they told, in any order, for the block.

    ``engine``: ``here``, or the address of a Spark master. What is given raises StoreError where a
    task failed as often as the engine tries one.

    Raises:
        UsageError: what the engine needs is not installed.
        StoreError: it is out of reach.

    """
    if engine == HERE:
        yield one_after_another
        return
    _check_installed(engine)
    session = _session(engine)
    try:

        def told(work: Work, n_tasks: int, advance: Callable[[int], None]) -> list[Told]:
            if not n_tasks:
                return []
            numbers = session.range(0, n_tasks, 1, n_tasks)
            with _explained(engine):
                rows = numbers.mapInArrow(_by_batches(work), _SCHEMA).collect()
            advance(n_tasks)
            return [json.loads(row[0]) for row in rows]

        yield told
    finally:
        session.stop()


def one_after_another(work: Work, n_tasks: int, advance: Callable[[int], None]) -> list[Told]:
    """Do tasks 0 to n - 1 in this process."""
    found = []
    for number in range(n_tasks):
        found.append(work(number))
        advance(1)
    return found


def _check_installed(engine: str) -> None:
    if find_spec("pyspark") is None or find_spec("pyarrow") is None:
        raise UsageError(
            f"The engine {engine} needs Apache Spark: pip install 'afterclear[spark]'. "
            f"--engine {HERE} works on the buckets one after another without it."
        )
    if not os.environ.get("JAVA_HOME") and shutil.which("java") is None:
        raise UsageError(
            f"The engine {engine} needs Java, and there is none on the path: install a runtime "
            "(Debian, Ubuntu: apt-get install openjdk-17-jre-headless), or set JAVA_HOME. "
            f"--engine {HERE} works on the buckets one after another without it."
        )


def _session(engine: str) -> Any:  # noqa: ANN401 - of a library that need not be there
    from pyspark.sql import SparkSession  # noqa: PLC0415 - only who asks for it has it

    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    builder = SparkSession.builder.master(_trying_again(engine)).appName("afterclear")
    for name, value in _settings().items():
        builder = builder.config(name, value)
    with _explained(engine):
        session = builder.getOrCreate()
    session.sparkContext.setLogLevel("OFF")  # what matters is told by what is raised
    return session


@contextmanager
def _explained(engine: str) -> Iterator[None]:
    from py4j.protocol import Py4JError  # noqa: PLC0415 - comes with the engine
    from pyspark.errors import PySparkException  # noqa: PLC0415

    try:
        yield
    except (PySparkException, Py4JError) as error:
        raise StoreError(_why(engine, str(error))) from error


def _by_batches(work: Work) -> Callable[[Iterable[Any]], Iterator[Any]]:
    """Give the function that an engine's worker calls with batches of task numbers."""

    def told(batches: Iterable[Any]) -> Iterator[Any]:
        import pyarrow as pa  # noqa: PLC0415 - on the worker

        for batch in batches:
            found = [json.dumps(work(number)) for number in batch.column(0).to_pylist()]
            yield pa.RecordBatch.from_pydict({"told": pa.array(found, pa.string())})

    return told


def _trying_again(engine: str) -> str:
    """Let the engine of one machine try a failed task again, as those of many do by themselves."""
    if engine.startswith("local[") and "," not in engine:
        return f"{engine.removesuffix(']')},{_TRIES}]"
    return engine


def _settings() -> dict[str, str]:
    settings = {
        "spark.task.maxFailures": str(_TRIES),
        "spark.ui.enabled": "false",
        "spark.ui.showConsoleProgress": "false",
        # a task is a bucket: a worker that lost its machine is another's, not the same one's twice
        "spark.speculation": "false",
        # small matrices: more threads only wait for each other
        "spark.executorEnv.OPENBLAS_NUM_THREADS": "1",
    }
    if path := os.environ.get("PYTHONPATH"):
        settings["spark.executorEnv.PYTHONPATH"] = path
    return settings


def _why(engine: str, said: str) -> str:
    """Say why the engine gave up, by the last line of a worker's traceback or its first words."""
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    errors = [line for line in lines if "Error:" in line and not line.startswith("at ")]
    told = (errors or lines or ["it did not say why"])[-1 if errors else 0]
    return (
        f"The engine {engine} gave up: {told[:500].rstrip('.')}. Buckets that were done stay done: "
        "the same command goes on with the others."
    )
