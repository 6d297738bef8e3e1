"""The contributor's guide shows the state machine as it is."""

from pathlib import Path

from timer.control.diagram import guide_with_diagram, mermaid
from timer.control.table import State

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"


def test_the_guide_shows_the_table_of_today():
    guide = GUIDE.read_text(encoding="utf-8")
    assert guide_with_diagram(guide) == guide, "run: python -m timer.control.diagram"


def test_every_state_is_in_the_diagram():
    drawn = mermaid()
    for state in State:
        assert f'"{state.value}"' in drawn
