"""Whether work tells what it was for: the sample's orders, with all of their codes taken away.

    python -m tests.scenario.unnamed

Each order that truly was for a fault is then joined by the component of its part and by
``config/cures.csv`` alone.  Printed is how many are joined to the code of that fault, to another
one only, and to none.
"""

import tempfile
from collections import Counter
from pathlib import Path

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.queries.exporting import export_frame
from afterclear.config import Config
from tests.scenario.deliveries import deliver
from tests.scenario.drive import END
from tests.scenario.simulate import simulate
from tests.scenario.told import unnamed_orders


def joined(app: App) -> dict[str, set[str]]:
    """Give the codes each order of an analysed store is for, without their failure types."""
    told: dict[str, set[str]] = {}
    for row in export_frame(app, "attempts").filter(kind="repair").to_dicts():
        told.setdefault(row["repair_id"], set()).add(row["code"].partition("-")[0])
    return told


def main() -> None:
    """Take the codes away, load, analyse and count."""
    vehicles, book, _ = simulate()
    for order in book.orders:
        order.codes = ()
    meant = unnamed_orders(vehicles, book)
    with tempfile.TemporaryDirectory() as folder:
        inbox = Path(folder) / "inbox"
        for name, content in deliver(vehicles, book).items():
            path = inbox / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        app = App(Config(None), Path(folder) / "store.duckdb", lambda: END)
        load_paths(app, [inbox], Whose(zone="Europe/Berlin"), lambda _: None)
        analyse(app, full=True)
        told = joined(app)
    found = Counter(
        "none" if order not in told else "right" if code in told[order] else f"another: {order}"
        for order, code in meant.items()
    )
    print(f"{len(meant)} orders that were for a fault, by what they are joined to: {dict(found)}")
    print("none:", Counter(code for order, code in meant.items() if order not in told))


if __name__ == "__main__":
    main()
