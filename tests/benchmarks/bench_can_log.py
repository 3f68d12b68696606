"""How fast a bus recording is read, against python-can's loop with a decode per frame.

Run as ``python -m tests.benchmarks.bench_can_log``.  Both sides run in this process, one after
the other, on the same made-up recording; the ratio is what counts, not the machine's seconds.
"""

import os

os.environ.setdefault("POLARS_MAX_THREADS", "1")  # one core, as the comparison has

import random
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import can

from afterclear.protocols import j1939, j1939_faults
from afterclear.protocols.j1939_transport import Outcome, Transport
from tests.protocols.encoders import broadcast_frames, j1939_dtc
from tests.readers.bus import CLEAN, DM1, codes, read

SIZES = (200_000, 1_000_000)
FRAMES_PER_SECOND = 700  # a 250 kbit/s bus at about a third of its load
UNITS = (0, 3, 11, 49)


def write_recording(path: Path, n_frames: int, seed: int = 7) -> None:
    """Write candump text: four units, one with two codes (transported), one with a single code."""
    dice = random.Random(seed)  # noqa: S311 - traffic, no secret
    two_codes = bytes.fromhex("04FF") + j1939_dtc(191, 9, 8) + j1939_dtc(84, 9, 8)
    identifiers = [0x0CF00400 | sa | n << 8 for sa in UNITS for n in range(8)]
    with path.open("w", encoding="ascii") as log:
        for number in range(n_frames // FRAMES_PER_SECOND + 1):
            second = 1_700_000_000 + number
            frames = [
                (dice.random(), dice.choice(identifiers), dice.randbytes(8))
                for _ in range(FRAMES_PER_SECOND - 6)
            ]
            frames += [(0.3, DM1 | 3, CLEAN), (0.4, DM1 | 49, CLEAN)]
            frames += [(0.5, DM1 | 11, bytes.fromhex("04FF") + j1939_dtc(639, 14, 1) + b"\xff\xff")]
            frames += [
                (0.6 + 0.05 * n, *f) for n, f in enumerate(broadcast_frames(0, 0xFECA, two_codes))
            ]
            log.writelines(
                f"({second + at:.6f}) can0 {can_id:08X}#{data.hex().upper()}\n"
                for at, can_id, data in sorted(frames)
            )


def by_columns(path: Path) -> set[tuple[str, str]]:
    """Read with the program's own reader, rows and all."""
    return codes(read(path))


def frame_by_frame(path: Path) -> set[tuple[str, str]]:
    """Read with python-can and decode each frame as it comes; no rows are written."""
    found: set[tuple[str, str]] = set()
    transport = Transport()
    for message in can.CanutilsLogReader(path):
        frame_id = j1939.id_from_int(message.arbitration_id)
        payloads: list[bytes] = []
        if frame_id.pgn == j1939.DM1_ACTIVE:
            payloads.append(bytes(message.data))
        elif frame_id.pgn in (j1939.TRANSPORT_CONTROL, j1939.TRANSPORT_DATA):
            done = transport.feed(message.timestamp, frame_id, bytes(message.data))
            payloads += [
                t.payload
                for t in done
                if t.outcome is Outcome.COMPLETE and t.pgn == j1939.DM1_ACTIVE
            ]
        for payload in payloads:
            for dtc in j1939_faults.fault_message_from_payload(payload).dtcs:
                found.add((j1939.unit_label(frame_id.source_address), str(dtc.code)))
    return found


def timed(work: Callable[[Path], set[tuple[str, str]]], path: Path) -> tuple[float, set]:
    began = time.perf_counter()
    found = work(path)
    return time.perf_counter() - began, found


def main() -> None:
    """Print frames per second on both sides, their ratio and the memory peak."""
    print(f"{'frames':>10} {'by columns':>12} {'one by one':>12} {'ratio':>6} {'peak MiB':>9}")
    for size in SIZES:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "bus.log"
            write_recording(path, size)
            ours, found = timed(by_columns, path)
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            theirs, expected = timed(frame_by_frame, path)
        if found != expected:
            raise SystemExit(f"the two sides differ: {found} and {expected}")
        rates = f"{size / ours:>10,.0f}/s {size / theirs:>10,.0f}/s"
        print(f"{size:>10,} {rates} {theirs / ours:>6.1f} {peak:>9,.0f}")


if __name__ == "__main__":
    main()
