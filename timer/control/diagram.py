"""The state diagram and the table of answers for the contributor's guide, made from the table.

``python -m timer.control.diagram``, in the project's folder, brings the guide up
to date; a test fails while it is stale.
"""

from collections.abc import Iterator
from pathlib import Path

from timer.control.table import TABLE, Input, Row, State

_GUIDE = Path("DEVELOPERS.md")
_BEGIN, _END = "<!-- made from timer/control/table.py -->", "<!-- end of what is made -->"
_SILENT = frozenset({"note", "note_off", "close_stray"})
_ANSWERS = {"refuse": "refused", "order_off": "lamp off"}


def mermaid() -> str:
    """Return the diagram as Mermaid text; the ways into fault are told once."""
    lines = ["stateDiagram-v2"]
    lines += [f'    state "{state.value}" as {state.name}' for state in State]
    lines.append(f"    [*] --> {State.DARK.name}")
    arrows: dict[tuple[State, State], list[str]] = {}
    for row in TABLE:
        if row.goes_to is None or row.goes_to is State.FAULT:
            continue
        inputs = arrows.setdefault((row.state, row.goes_to), [])
        if row.input.value not in inputs:
            inputs.append(row.input.value)
    lines += [
        f"    {source.name} --> {target.name}: {', '.join(inputs)}"
        for (source, target), inputs in arrows.items()
    ]
    lines += [
        f"    note right of {State.FAULT.name}",
        "        from every state, at: keeper lost, alarm, stuck",
        "    end note",
    ]
    return "\n".join(lines)


def answers() -> str:
    """Return a Markdown table of every state's answer to every input; silence is left blank."""
    lines = ["| input | " + " | ".join(state.value for state in State) + " |"]
    lines.append("|---" * (len(State) + 1) + "|")
    for one in Input:
        cells = ("<br>".join(_cells(state, one)) for state in State)
        lines.append(f"| {one.value} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _cells(state: State, one: Input) -> Iterator[str]:
    for row in TABLE:
        if (row.state, row.input) == (state, one):
            answer = _answer(row)
            if answer:
                yield answer


def _answer(row: Row) -> str:
    if row.goes_to is None and row.action in _SILENT:
        return ""
    what = _ANSWERS.get(row.action, row.action.replace("_", " "))
    if row.goes_to is not None:
        what = f"**{row.goes_to.value}**"
    if row.conditions:
        what += f" if {', '.join(name.replace('_', ' ') for name in row.conditions)}"
    return what


def guide_with_diagram(guide: str) -> str:
    """Return the guide's text with the made part brought up to date."""
    before, _, rest = guide.partition(_BEGIN)
    _, _, after = rest.partition(_END)
    made = f"\n\n```mermaid\n{mermaid()}\n```\n\n{answers()}\n\n"
    return before + _BEGIN + made + _END + after


if __name__ == "__main__":
    _GUIDE.write_text(guide_with_diagram(_GUIDE.read_text(encoding="utf-8")), encoding="utf-8")
