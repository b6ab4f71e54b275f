"""Parts of pages that are made from the code's own records, so that nobody retypes them.

A page asks for a part by a comment: ``<!-- made from records: figures -->``.
"""

import contextlib
import inspect
import io
import re
from collections.abc import Callable, Iterator

from flowsift.cli import main
from flowsift.standards import figures, source, typical_ranges
from public_names import MODULES, found_by, members_of, names_of

REFERENCE = (*MODULES, "flowsift.methods")


def filled(page: str) -> str:
    """Return a page with every part that it asks for."""
    asked_for = rf"^<!-- made from records: ({'|'.join(PARTS)})(?: (flowsift\S*))? -->$"
    return re.sub(
        asked_for, lambda asked: "\n".join(PARTS[asked[1]](*filter(None, [asked[2]]))), page, flags=re.MULTILINE
    )


def _table(header: tuple[str, ...], rows: list[tuple[str, ...]]) -> Iterator[str]:
    yield "| " + " | ".join(header) + " |"
    yield "| " + " | ".join("---" for _ in header) + " |"
    for row in rows:
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |"


def _number(value: float) -> str:
    return "" if value != value else f"{value:g}"


def _figures() -> Iterator[str]:
    table = figures()
    for key, rows in sorted(table.groupby("source"), key=lambda pair: str(source(str(pair[0]))).lower()):
        origin = source(str(key))
        yield f"### {origin.title}\n"
        told = [origin.publisher, str(origin.year or ""), f"`{key}`", f"<{origin.link}>" if origin.link else ""]
        yield ", ".join(part for part in told if part) + "\n"
        cells = [
            (
                f"`{row.key}`",
                row.name,
                " to ".join(filter(None, [_number(row.low), _number(row.high)])) or _number(row.value),
                row.unit,
                row.locator,
                row.kind,
            )
            for row in rows.itertuples()
        ]
        yield from _table(("key", "what", "figure", "unit", "where", "kind"), cells)
        yield ""


def _typical() -> Iterator[str]:
    rows = []
    for label, found in typical_ranges().items():
        for quantity in ("volume_l", "flow_lpm", "duration_s"):
            spread = getattr(found, quantity)
            basis = [
                f"{word}: " + (f"`{one.figure}`" if one.figure else one.kind)
                for word, one in zip(("low", "typical", "high"), spread.basis, strict=True)
            ]
            values = (f"{value:.3g}" for value in (spread.low, spread.typical, spread.high))
            rows.append((label, f"`{quantity}`", *values, "; ".join(basis)))
    yield from _table(("label", "quantity", "low", "typical", "high", "rests on"), rows)


def _commands() -> Iterator[str]:
    overview = _said("--help")
    yield from ("```text", overview, "```", "")
    for name in re.findall(r"^  (\w+)  ", overview.partition("Commands:")[2], re.MULTILINE):
        yield from (f"## {name}", "", "```text", _said(name, "--help"), "```", "")


def _said(*arguments: str) -> str:
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.suppress(SystemExit):
        main(arguments)
    return said.getvalue().rstrip()


def _public() -> Iterator[str]:
    for module in REFERENCE:
        page = module.rpartition(".")[2]
        short = (name.removeprefix("flowsift.") for name in names_of(module))
        yield f"[`{module}`]({page}.md)\n: " + ", ".join(f"`{name}`" for name in short) + "\n"


def _module(module: str) -> Iterator[str]:
    for name in names_of(module):
        thing = found_by(name)
        yield f"## {name.rpartition('.')[2]}\n"
        yield "```{eval-rst}"
        if inspect.isclass(thing):
            own = [last for last, _ in members_of(thing)]
            yield f".. autoclass:: {name}"
            yield from ([f"   :members: {', '.join(own)}"] if own else [])
        elif inspect.isfunction(thing):
            yield f".. autofunction:: {name}"
        else:
            yield f".. autodata:: {name}\n   :no-value:"
        yield "```\n"


PARTS: dict[str, Callable[..., Iterator[str]]] = {
    "figures": _figures,
    "typical ranges": _typical,
    "commands": _commands,
    "public names": _public,
    "module": _module,
}
