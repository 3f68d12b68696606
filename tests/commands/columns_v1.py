"""What the views promise: table, column and meaning, a line each."""

from pathlib import Path
from typing import Final

from afterclear.export_columns import holds
from afterclear.store.queries.public_views import VIEWS

FILE: Final = Path(__file__).with_name("columns_v1.tsv")


def promised() -> list[str]:
    """Read what was promised."""
    return FILE.read_text(encoding="utf-8").splitlines()


def present() -> list[str]:
    """List what there is now."""
    return [
        f"{view}\t{column}\t{means}"
        for view in VIEWS
        for column, means in holds(view).columns.items()
    ]


if __name__ == "__main__":
    before = promised() if FILE.exists() else []
    added = [line for line in present() if line not in before]
    FILE.write_text("\n".join([*before, *added]) + "\n", encoding="utf-8")
