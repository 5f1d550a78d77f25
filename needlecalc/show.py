"""One list of facts, shown as text, as HTML and as rows: every record prints itself through here."""

from __future__ import annotations

import html
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from functools import singledispatch
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from needlecalc.echo import plain

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]

NOT_KNOWN = "-"
NOTE_WIDTH = 100


def counted(count: int, one: str, many: str = "") -> str:
    """Count with its noun; an s is added to the first where no other word for many is given.

    >>> counted(1, "pause"), counted(0, "pause"), counted(2, "pass", "passes")
    ('1 pause', '0 pauses', '2 passes')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"


@dataclass(frozen=True)
class Column:
    """One column of a table: its key in each row, its printed head, both with the unit, the format and the values.

    Text is printed as it is; a column of numbers has a format, as in ``format(value, form)``. Lines of a head stand one
    above the other. A column without a head is in the rows and not printed. Values may be left out where the table is
    handed rows instead.
    """

    key: str
    head: str
    form: str = ""
    values: Sequence[Any] | NDArray[Any] = field(default=(), compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "head", "\n".join(map(plain, self.head.split("\n"))))

    def text(self, value: object) -> str:
        """Value as it stands in the printed table."""
        if value is None or (isinstance(value, float) and value != value):
            return NOT_KNOWN
        if isinstance(value, bool):
            return "yes" if value else "no"
        if self.form and not isinstance(value, str):
            cell = format(value, self.form)
            # A number that rounds to zero shows no sign: "-0.0" is noise on a sheet.
            return cell if cell.strip("-+0.%") else cell.lstrip("-+")
        return plain(str(value))

    def is_number(self) -> bool:
        """Whether the column is set flush right."""
        return bool(self.form)


@dataclass(frozen=True)
class Table:
    """Facts to show: a title, sentences above, rows, and notes below (flags, assumptions, cautions).

    Rows are those of the columns' values unless given; a row may hold more than is printed.

    >>> print(Table("Lifts", (Column("rpm", "rpm", ".0f", [900, 3000]), Column("lift_mm", "lift mm", ".1f", [4.0, 12.5]))))
    Lifts
     rpm  lift mm
    ----  -------
     900      4.0
    3000     12.5
    """

    title: str
    columns: Sequence[Column] = ()
    rows: Sequence[Mapping[str, Any]] = ()
    intro: Sequence[str] = ()
    notes: Sequence[str] = ()

    def __post_init__(self) -> None:
        if not self.rows and self.columns:
            keys = [column.key for column in self.columns]
            values = [v.tolist() if isinstance(v, np.ndarray) else v for v in (column.values for column in self.columns)]
            object.__setattr__(self, "rows", [dict(zip(keys, row, strict=True)) for row in zip(*values, strict=True)])
        object.__setattr__(self, "columns", [column for column in self.columns if column.head])

    def _cells(self) -> Iterator[list[str]]:
        for row in self.rows:
            yield [column.text(row.get(column.key)) for column in self.columns]

    def text(self) -> str:
        """Plain text, for a terminal and for paper; no newline at the end."""
        lines = [plain(self.title), *(wrapped for note in self.intro for wrapped in _wrap(note, ""))]
        body = list(self._cells())
        if self.columns and body:
            heads = [column.head.split("\n") for column in self.columns]
            most = max(map(len, heads))
            stacked = list(zip(*([""] * (most - len(head)) + head for head in heads), strict=True))
            widths = [max(map(len, column)) for column in zip(*stacked, *body, strict=True)]
            for cells in [*stacked, ["-" * width for width in widths], *body]:
                placed = (
                    cell.rjust(width) if column.is_number() else cell.ljust(width)
                    for cell, width, column in zip(cells, widths, self.columns, strict=True)
                )
                lines.append("  ".join(placed).rstrip())
        lines += [wrapped for note in self.notes for wrapped in _wrap(note, "* ")]
        return "\n".join(lines)

    def html(self) -> str:
        """HTML for a notebook or a page: a fragment with no style of its own but the side on which a column stands."""
        parts = [f"<p><b>{html.escape(plain(self.title))}</b></p>"]
        parts += [f"<p>{html.escape(plain(note))}</p>" for note in self.intro]
        if self.columns and self.rows:
            heads = [column.head for column in self.columns]
            body = "".join(self._html_row("td", cells) for cells in self._cells())
            parts.append(f"<table><thead>{self._html_row('th', heads)}</thead><tbody>{body}</tbody></table>")
        if self.notes:
            parts.append("<ul>" + "".join(f"<li>{html.escape(plain(note))}</li>" for note in self.notes) + "</ul>")
        return "".join(parts)

    def _html_row(self, tag: str, cells: Sequence[str]) -> str:
        sides = ["right" if column.is_number() else "left" for column in self.columns]
        escaped = [html.escape(cell).replace("\n", "<br>") for cell in cells]
        made = [f'<{tag} style="text-align:{side}">{cell}</{tag}>' for side, cell in zip(sides, escaped, strict=True)]
        return f"<tr>{''.join(made)}</tr>"

    def __str__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        return self.html()


def _wrap(note: str, bullet: str) -> list[str]:
    lines = textwrap.wrap(
        note, NOTE_WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_long_words=False
    )
    return [plain(line) for line in lines]


@singledispatch
def say(fact: object) -> Any:
    """A fact in words, by its type; the rooms of the report floor hold them."""
    msg = f"{type(fact).__name__} has no words."
    raise TypeError(msg)


@singledispatch
def table_of(record: object, part: str = "") -> Table:
    """One of the tables of a record; one without a table of its own shows its fields, a part within in a line."""
    if part or not is_dataclass(record):
        msg = f"{type(record).__name__} does not say what it shows{f' as {part}' if part else ''}."
        raise TypeError(msg)
    facts = {one.name: getattr(record, one.name) for one in fields(record)}
    values = [repr(value) if isinstance(value, Shown) else value for value in facts.values()]
    return table(repr(record), Column("fact", "fact", "", [*facts]), Column("value", "value", "", values))


def table(title: str, *columns: Column, intro: Sequence[str] = (), notes: Sequence[str] = ()) -> Table:
    """A table of columns that hold their values."""
    return Table(title, columns, intro=intro, notes=notes)


def columns_of(records: object, form: str, **heads: str) -> tuple[Column, ...]:
    """Columns of a record's own values, or of one value of each of several records, by their names; all in one form."""
    if isinstance(records, list):
        return tuple(Column(key, head, form, [getattr(one, key) for one in records]) for key, head in heads.items())
    return tuple(Column(key, head, form, getattr(records, key)) for key, head in heads.items())


def in_words(fact: object) -> Any:
    """A fact in words, as the report floor has them."""
    from needlecalc.report import after  # noqa: F401  # upwards, for only the report floor has words

    return say(fact)


class Shown:
    """What every record can do with its facts; a record supplies ``table()`` and ``__repr__``."""

    def table(self) -> Table:
        """Facts of the record, to be shown."""
        return self._part()

    def _part(self, name: str = "") -> Table:
        """One of the tables of a record that has several."""
        from needlecalc.report import after  # noqa: F401  # upwards, for only the report floor has words

        return table_of(self, name)

    def rows(self) -> list[Row]:
        """Facts as a list of dicts, one a row, full precision; keys carry their unit."""
        return [dict(row) for row in self.table().rows]

    def to_frame(self) -> pd.DataFrame:
        """Facts as a pandas table, one line a row."""
        import pandas as pd

        return pd.DataFrame(self.rows())

    def __str__(self) -> str:
        return self.table().text()

    def _repr_html_(self) -> str:
        return self.table().html()
