"""Metrics as Prometheus itself would read them, from a file and from this machine only."""

import subprocess
import sys
import urllib.request
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.pages.mailing import SentReport
from afterclear.commands.queries.health import health
from afterclear.commands.queries.store_metrics import store_metrics
from afterclear.commands.running.accounting import accounted
from afterclear.errors import StoreError, UsageError
from afterclear.observe.metrics import (
    Board,
    by_label,
    endpoint,
    gauge,
    metrics_text,
    write_metrics,
)
from tests.store.care_fixture import copy_of_garage


def read(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """Read the text by the reference parser: (name, labels) -> value."""
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


@pytest.mark.parametrize("label", ["plain", 'a "b"', "back\\slash", "line\nbreak", "ü"])
def test_the_reference_parser_reads_back_what_was_written(label: str) -> None:
    metric = by_label("a_thing", "What\nit \\ is.", "of", {label: 1.5})
    assert read(metrics_text([metric])) == {("a_thing", (("of", label),)): 1.5}


def test_a_store_tells_its_loads_rows_and_verdicts(template: Path, tmp_path: Path) -> None:
    app = copy_of_garage(template, tmp_path)
    with accounted(app, "run") as account:
        account.report["files"] = 6
    told = read(metrics_text(store_metrics(app)))
    assert told["afterclear_loads_total", (("outcome", "stored"),)] == 6
    fates = [
        told["afterclear_rows_total", (("fate", f),)] for f in ("stored", "duplicate", "rejected")
    ]
    assert fates == [34, 0, 1]
    assert told["afterclear_store_bytes", ()] > 100_000
    assert told["afterclear_vehicles_waiting", ()] == 0
    assert told["afterclear_job_last_good_timestamp_seconds", (("job", "run"),)] == (
        app.clock().timestamp()
    )


def test_the_file_is_replaced_as_a_whole_and_readable_by_a_collector(tmp_path: Path) -> None:
    place = tmp_path / "out" / "afterclear.prom"
    for value in (1, 2):
        write_metrics(place, [gauge("a_thing", "What it is.", value)])
    assert read(place.read_text()) == {("a_thing", ()): 2}
    assert place.stat().st_mode & 0o777 == 0o644
    assert [p.name for p in place.parent.iterdir()] == ["afterclear.prom"]


def test_the_endpoint_answers_with_what_stands_on_the_board() -> None:
    board = Board()
    with endpoint(0, board) as port:
        board.metrics = (gauge("a_thing", "What it is.", 1),)
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics") as answer:
            assert answer.headers["Content-Type"] == "text/plain; version=0.0.4; charset=utf-8"
            assert read(answer.read().decode()) == {("a_thing", ()): 1}


@pytest.mark.slow
def test_who_publishes_nothing_does_not_wait_for_the_library_to_load() -> None:
    code = (
        "import sys, afterclear.commands.running.jobs, afterclear.cli.status; print(*sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert "prometheus_client" not in done.stdout.split()


def test_health_complains_of_what_a_person_should_look_into(template: Path, tmp_path: Path) -> None:
    """No run yet; then a good one; then one that failed."""
    app = copy_of_garage(template, tmp_path)
    assert health(app).complaints == ("no run ended well in the last 3 days",)
    with accounted(app, "run") as account:
        account.report["files"] = 6
    assert health(app).complaints == ()
    with pytest.raises(ZeroDivisionError), accounted(app, "run"):
        raise ZeroDivisionError
    (complaint,) = health(app).complaints
    assert complaint.startswith("the last run of run")
    assert complaint.endswith("failed: ZeroDivisionError()")


def test_a_run_that_only_speaks_of_files_has_loaded_none(template: Path, tmp_path: Path) -> None:
    """The word in a message was taken for the count."""
    app = copy_of_garage(template, tmp_path)
    with accounted(app, "backup") as account:
        account.report["kept"] = {"files": 6}
    assert health(app).complaints == ("no run ended well in the last 3 days",)


def test_a_mistyped_path_is_told_to_who_typed_it_and_to_nobody_else(
    template: Path, tmp_path: Path
) -> None:
    """It was red for ever: nobody loads the wrong path again, and well."""
    app = copy_of_garage(template, tmp_path)
    with accounted(app, "run") as account:
        account.report["files"] = 6
    with pytest.raises(UsageError), accounted(app, "load"):
        load_paths(app, [tmp_path / "inbx"], Whose(), lambda _: None)
    assert health(app).complaints == ()


def test_what_nobody_does_any_more_is_not_complained_of_for_ever(
    template: Path, tmp_path: Path
) -> None:
    app = copy_of_garage(template, tmp_path)
    with pytest.raises(StoreError), accounted(app, "old job"):
        raise StoreError("The disk is full.")
    assert any("old job" in text for text in health(app).complaints)
    later = replace(app, clock=lambda: app.clock() + timedelta(days=4))
    with accounted(later, "run") as account:
        account.report["files"] = 6
    assert health(later).complaints == ()


def test_a_letter_that_was_not_sent_is_called_one(template: Path, tmp_path: Path) -> None:
    """Not 'a source was out of reach: ', with nothing behind it."""
    app = copy_of_garage(template, tmp_path)
    with accounted(app, "run") as account:
        account.report["files"] = 6
        account.add_sent(SentReport(failed=["fleet digest to boss@example.org: refused"]))
    (complaint,) = health(app).complaints
    assert complaint == (
        "in the last run of run 1 messages were not sent: fleet digest to boss@example.org: refused"
    )
