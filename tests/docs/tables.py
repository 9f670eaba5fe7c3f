"""Tables of DEVELOPERS.md from the code: rooms, topics, messages, configuration keys, alarm states."""

import ast
import re
from pathlib import Path
from typing import Any, get_args

import msgspec
from pydantic import BaseModel

from monitor.commands.contract import CHANNELS
from monitor.contract.config.line import Line
from monitor.contract.config.orders import Orders
from monitor.contract.config.recipe import Recipe
from monitor.contract.config.works import Works
from monitor.contract.messages import MONITOR_MESSAGES, STREAM_MESSAGES
from monitor.contract.record import AlarmState
from monitor.core.alarms import TABLE

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"


PAGE_ROOMS = ("commands", "pages", "components", "actions", "web", "figures", "print", "queries", "text")
ROOMS = ("contract", "physics", "statistics", "core", "analysis", "evidence", "store", "gateway", "shell", "commands")


def rooms() -> str:
    """A paragraph a room of the monitor: what it is for, and every module by the head of its docstring."""
    return "\n\n".join(_room(GUIDE.parent / "monitor" / name) for name in ROOMS)


def page_rooms() -> str:
    """The same of the dashboard: what lies at its root, then a paragraph a room; a page goes by its layout."""
    root = GUIDE.parent / "dashboard"
    return "\n\n".join([_listed(root, sorted(root.glob("*.py"))), *(_room(root / name) for name in PAGE_ROOMS)])


def _room(folder: Path) -> str:
    modules = sorted(folder.glob("*/layout.py") if folder.name == "pages" else folder.rglob("*.py"))
    return _listed(folder, [m for m in modules if "versions" not in m.parts])


def _listed(folder: Path, modules: list[Path]) -> str:
    listed = [f"`{_name(m, folder)}` ({_head(m)})" for m in modules if m.stem != "__init__"]
    return f"**{folder.relative_to(GUIDE.parent)}**, {_head(folder / '__init__.py')}: " + ", ".join(listed) + "."


def _name(module: Path, folder: Path) -> str:
    return str((module.parent if module.stem == "layout" else module.with_suffix("")).relative_to(folder))


def _head(module: Path) -> str:
    """The first words of a docstring: up to its first stop, or to the next one where that says too little."""
    words = (ast.get_docstring(ast.parse(module.read_text(encoding="utf-8"))) or "").split("\n")[0].rstrip(".")
    first, *rest = re.split(r"(?<=[.:;])\s", words, maxsplit=2)
    head = " ".join([first, *rest[:1]]) if len(first.split()) < 6 else first
    head = head.rstrip(".:;")
    return head if head[:2].isupper() and head[:2] != "A " else head[:1].lower() + head[1:]


def topics() -> str:
    """A row a channel."""
    rows = [f"| `{address}` | {message} | {who} | {what} |" for address, message, who, what in CHANNELS.values()]
    return "\n".join(["| topic | message | sent by | what |", "| --- | --- | --- | --- |", *rows])


def messages() -> str:
    """A row a message with its fields."""
    rows = []
    for name, kind in (STREAM_MESSAGES | MONITOR_MESSAGES).items():
        fields = [f"`{f.encode_name}`" + ("" if f.required else "?") for f in msgspec.structs.fields(kind)]
        rows.append(f"| {name} | {', '.join(fields)} | {(kind.__doc__ or '').splitlines()[0]} |")
    return "\n".join(["| message | fields (? may be absent) | what |", "| --- | --- | --- |", *rows])


def keys() -> str:
    """A list of every configuration key of each file."""
    parts = []
    files: list[tuple[str, type[BaseModel]]] = [
        ("works.toml", Works),
        ("orders.toml", Orders),
        ("lines/NAME.toml", Line),
        ("recipes/NAME.toml", Recipe),
    ]
    for file, model in files:
        parts += [f"`{file}`", "", *_keys(model, 0), ""]
    return "\n".join(parts).rstrip()


def _keys(model: type[BaseModel], depth: int) -> list[str]:
    rows: list[str] = []
    fields = model.model_fields.items()
    plain = [f"`{n}`" + ("" if f.is_required() else "?") for n, f in fields if not _inner(f.annotation)]
    if plain:
        rows.append("  " * depth + "- " + ", ".join(plain))
    for name, field in model.model_fields.items():
        inner = _inner(field.annotation)
        if inner:
            rows.append("  " * depth + f"- `[{name}]`")
            rows += _keys(inner, depth + 1)
    return rows


def _inner(annotation: Any) -> type[BaseModel] | None:
    for one in (annotation, *get_args(annotation)):
        if isinstance(one, type) and issubclass(one, BaseModel):
            return one
    return None


def alarm_states() -> str:
    """The picture of the alarm table, drawn by whoever shows the page."""
    names = {state: f"S{i}" for i, state in enumerate(AlarmState)}
    rows = [f'    state "{state.value}" as {name}' for state, name in names.items()]
    for (state, event), to in TABLE.items():
        present, gone = to if isinstance(to, tuple) else (to, to)
        rows.append(f"    {names[state]} --> {names[present]}: {event}" + ("" if present is gone else " (present)"))
        if present is not gone:
            rows.append(f"    {names[state]} --> {names[gone]}: {event} (gone)")
    return "\n".join(["```mermaid", "stateDiagram-v2", f"    [*] --> {names[AlarmState.NORMAL]}", *rows, "```"])


def _literal(text: str) -> str:
    return text.replace("\\", r"\\")


TABLES = {
    "rooms": rooms,
    "page rooms": page_rooms,
    "topics": topics,
    "messages": messages,
    "keys": keys,
    "alarm states": alarm_states,
}


def filled(text: str) -> str:
    """The guide with every table written anew between its marks."""
    for name, make in TABLES.items():
        mark = re.compile(rf"(<!-- {name} -->\n).*?(<!-- end -->)", re.DOTALL)
        assert mark.search(text), f"DEVELOPERS.md has no place for {name}"
        text = mark.sub(rf"\g<1>{_literal(make())}\n\g<2>", text)
    return text
