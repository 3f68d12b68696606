"""The fleet page's works on each fault: what stands beside them."""

from datetime import UTC, datetime

from afterclear.digest.common.assess import Setting
from afterclear.digest.common.cure_lines import cures_view
from afterclear.digest.input.frames import Caution, DigestSettings
from afterclear.wording.cells import Cells
from tests.findings.test_cures import cure

BRAKES = Caution("Brakes", "Do not drive with a red brake warning.")
AIRBAGS = Caution("Airbags", "They can fire.")


def test_works_on_what_keeps_people_safe_have_their_cautions_beside_them() -> None:
    rows = tuple(cure(work, 9, 5, 4, fault="abs_pump") for work in ("repair:airbag", "clear"))
    beside = {"abs_pump": (BRAKES,), "airbag": (AIRBAGS,), "steering": (Caution("Other", ""),)}
    view = cures_view(
        Setting(
            as_of=datetime(2026, 1, 1, tzinfo=UTC),
            cells=Cells(),
            settings=DigestSettings(),
            cautions={},
            part_cautions=beside,
            cures={"abs_pump": rows},
        )
    )
    assert view is not None
    assert view.cautions == (BRAKES, AIRBAGS)
