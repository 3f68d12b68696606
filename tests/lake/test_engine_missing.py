"""Without Spark or Java a command says what is missing, and what works without."""

import pytest

from afterclear.errors import UsageError
from afterclear.lake import engine


def test_without_spark_it_is_said_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "find_spec", lambda _: None)
    with pytest.raises(UsageError, match=r"afterclear\[spark\].*--engine here"):
        engine.workers_of("local[2]").__enter__()


def test_without_java_it_is_said_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "find_spec", lambda name: name)
    monkeypatch.setattr(engine.shutil, "which", lambda _: None)
    monkeypatch.delenv("JAVA_HOME", raising=False)
    with pytest.raises(UsageError, match=r"needs Java.*openjdk-17-jre-headless"):
        engine.workers_of("spark://somewhere:7077").__enter__()


def test_one_after_another_every_task_is_done_and_told() -> None:
    done: list[int] = []
    with engine.workers_of(engine.HERE) as workers:
        assert workers(lambda n: {"n": n}, 3, done.append) == [{"n": 0}, {"n": 1}, {"n": 2}]
    assert done == [1, 1, 1]
