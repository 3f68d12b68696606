"""Workers that are killed in the middle of a bucket, each bucket's first one."""

import os
import signal
from pathlib import Path
from typing import Any

from afterclear.commands.lake import bucket_job
from afterclear.commands.lake.bucket_histories import build_histories


def build_once_killed(lake: str, plan: str, number: int) -> dict[str, Any]:
    """Die with half a bucket written; whoever comes after builds it."""
    task = bucket_job.plan_at(Path(lake) / plan).tasks[number]
    half = (Path(lake) / task.histories).with_name(f"{bucket_job.UNFINISHED}{number}")
    mark = Path(lake) / f"killed-{number}"
    if not mark.exists():
        mark.touch()
        half.mkdir(parents=True)
        (half / "attempts.parquet").write_bytes(b"PAR1 and no more")
        os.kill(os.getpid(), signal.SIGKILL)
    return build_histories(lake, plan, number)
