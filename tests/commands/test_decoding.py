"""What ``decode`` says of codes."""

from afterclear.commands.app import App
from afterclear.commands.init_and_demo import DemoReport
from afterclear.commands.queries.decoding import CodeMeaning, decode_code


def test_a_code_has_what_cured_such_a_fault_in_the_fleet(
    demo_run: tuple[App, DemoReport],
) -> None:
    (told,) = decode_code(demo_run[0], "P0301")
    assert isinstance(told, CodeMeaning)
    assert told.cured[0].startswith("Ignition coil replaced: cured it in ")
    assert " By brand: Norvandel " in told.cured[0]
    assert any(words.startswith("Codes cleared, no repair: stayed away") for words in told.cured)
