"""Answers → rows: the compiled form of `bridge.config.reach.Table`. Pure, and fast on the usual shapes.

The rule of the whole module: what is not said is None. A value of the wrong type, NaN, infinity, a spelling
nobody listed, a port named twice: all of them are "not said", never 0 A and never off.
"""

import re
from collections import Counter
from collections.abc import Callable, Collection
from typing import Any, NamedTuple

from bridge.config.expressions import Getter, compile_expression, without_star
from bridge.config.mapping import FIELDS, NO, YES, Flag, Number, Scalar, Table, spelling

FINITE = 1e9
"""No base-unit value of a port reaches this; the comparison also drops NaN, infinity and huge integers."""

_MEASURE = re.compile(
    r"\s*([-+]?(?:\d{1,15}(?:\.\d{0,15})?|\.\d{1,15})(?:[eE][-+]?\d{1,2})?)\s*(\D{0,3}?)\s*"
)
_DIGITS = re.compile(r"[0-9]{1,9}")


class Row(NamedTuple):
    """What one answer says of one port: A, on, open, V, degree Celsius. None: not said."""

    current_a: float | None = None
    power: bool | None = None
    tripped: bool | None = None
    voltage_v: float | None = None
    temperature_c: float | None = None


class MisfitError(ValueError):
    """The answer has nothing where the mapping says the ports are."""


Rows = dict[int, Row]
Parser = Callable[[Any], Rows]
Field = Callable[[Any], Any]


def compile_number(number: Number) -> Field:
    """A function: raw value → base unit, or None."""
    scale, shift = number.UNITS[number.unit]
    factor, offset = number.factor * scale, number.offset * scale + shift
    plain = offset == 0.0 and abs(factor) <= 1.0 and not number.signed16
    signed16, units = number.signed16, number.UNITS if number.text else None

    def from_text(value: str) -> float | None:
        found = _MEASURE.fullmatch(value)
        if found is None:
            return None
        if found[2]:
            if found[2] not in number.UNITS:
                return None
            own_scale, own_shift = number.UNITS[found[2]]
            result = float(found[1]) * own_scale + own_shift
        else:
            result = float(found[1]) * factor + offset
        return result if -FINITE < result < FINITE else None

    def convert(value: Any) -> float | None:  # noqa: ANN401 - JSON
        kind = type(value)
        if (kind is float or kind is int) and -FINITE < value < FINITE:
            if plain:
                return value * factor  # type: ignore[no-any-return] # narrowed by `kind`, for speed
            if signed16:
                if value < -32768 or value > 65535:
                    return None
                if value > 32767:
                    value -= 65536
            result: float = value * factor + offset
            return result if -FINITE < result < FINITE else None
        return from_text(value) if units is not None and kind is str else None

    return convert


def compile_flag(flag: Flag) -> Field:
    """A function: raw value → True, False, or None."""
    if flag.bit is not None:
        mask = 1 << flag.bit

        def of_bit(value: Any) -> bool | None:  # noqa: ANN401 - JSON
            return bool(value & mask) if type(value) is int and value >= 0 else None

        return of_bit
    yes: Collection[Scalar] | str = YES if flag.yes is None else flag.yes
    no: Collection[Scalar] | str = NO if flag.no is None else flag.no
    known: dict[Scalar, bool] = {}
    for spellings, meaning in ((yes, True), (no, False)):
        if not isinstance(spellings, str):
            known.update({spelling(item): meaning for item in spellings})
    other: bool | None = True if yes == "other" else False if no == "other" else None

    def convert(value: Any) -> bool | None:  # noqa: ANN401 - JSON
        kind = type(value)
        if kind is str:
            return known.get(value.strip().casefold(), other)
        if kind is bool or kind is int or kind is float:
            return known.get(value, other)
        return None

    return convert


def compile_id(label: str | None, counts_from: int) -> Callable[[Any], int | None]:
    """A function: the controller's name of a port → our number (from 1), or None."""
    shift = 1 - counts_from
    pattern = re.compile(re.escape(label).replace(r"\{port\}", "([0-9]{1,9})")) if label else None

    def convert(value: Any) -> int | None:  # noqa: ANN401 - JSON
        kind = type(value)
        if kind is int:
            return int(value) + shift
        if kind is str:
            if pattern is not None:
                found = pattern.fullmatch(value)
                return int(found[1]) + shift if found else None
            return int(value) + shift if _DIGITS.fullmatch(value) else None
        if kind is float and value.is_integer():
            return int(value) + shift
        return None

    return convert


def compile_table(table: Table, numbers: Collection[int], *, counts_from: int = 1) -> Parser:
    """A function: answer → rows of those ports among `numbers` that it speaks of.

    The function raises `MisfitError` when there is nothing where the ports should be; values that are
    missing or bad are None in their row. For a `single` table the row has number 0.
    """
    if table.single:
        row_of = _row(table)
        return lambda answer: {0: row_of(answer)}
    if table.arrays is not None:
        return _arrays(table, table.arrays, numbers, counts_from)
    return _objects(table, numbers, counts_from)


def _row(table: Table) -> Callable[[Any], Row]:
    """A function: one port's object → its row."""
    pairs: list[tuple[Getter, Field] | None] = []
    for name in FIELDS:
        spec = getattr(table, name)
        if spec is None:
            pairs.append(None)
        else:
            convert = compile_flag(spec) if isinstance(spec, Flag) else compile_number(spec)
            pairs.append((compile_expression(spec.source), convert))
    current, power, tripped, voltage, temperature = pairs

    def row_of(item: Any) -> Row:  # noqa: ANN401 - JSON
        # Written out: this runs for every port of every poll.
        return Row(
            current[1](current[0](item)) if current else None,
            power[1](power[0](item)) if power else None,
            tripped[1](tripped[0](item)) if tripped else None,
            voltage[1](voltage[0](item)) if voltage else None,
            temperature[1](temperature[0](item)) if temperature else None,
        )

    return row_of


def _objects(table: Table, numbers: Collection[int], counts_from: int) -> Parser:
    """Ports as a list of objects, or as an object with one entry per port."""
    source = table.map if table.map is not None else table.ports
    assert source is not None  # the model has exactly one form
    # The elements are walked here, not by a projection, so that a null keeps its place.
    where = compile_expression(without_star(source))
    row_of, id_of = _row(table), compile_id(table.label, counts_from)
    id_at = compile_expression(table.port) if table.port is not None else None
    is_map, wanted = table.map is not None, frozenset(numbers)

    def parse(answer: Any) -> Rows:  # noqa: ANN401 - JSON
        found = where(answer)
        if is_map:
            if type(found) is not dict:
                raise MisfitError(f"there is no object at '{source}'")
            named = [(id_of(key), item) for key, item in found.items()]
        else:
            if type(found) is not list:
                raise MisfitError(f"there is no list at '{source}'")
            if id_at is None:
                named = list(enumerate(found, start=1))
            else:
                named = [(id_of(id_at(item)), item) for item in found]
        rows: Rows = {}
        twice: set[int] = set()
        for number, item in named:
            if number in wanted and item is not None:
                if number in rows:
                    twice.add(number)
                rows[number] = row_of(item)
        for number in twice:  # which of the two is true nobody knows
            del rows[number]
        return rows

    return parse


def _arrays(table: Table, source: str, numbers: Collection[int], counts_from: int) -> Parser:
    """Ports as parallel lists. A list of another length than the others is not said at all."""
    where = compile_expression(source)
    id_of = compile_id(table.label, counts_from)
    id_at = compile_expression(table.port) if table.port is not None else None
    wanted = frozenset(numbers)
    columns: list[tuple[int, Getter, Field]] = []
    for place, name in enumerate(FIELDS):
        spec = getattr(table, name)
        if spec is not None:
            convert = compile_flag(spec) if isinstance(spec, Flag) else compile_number(spec)
            columns.append((place, compile_expression(spec.source), convert))

    def parse(answer: Any) -> Rows:  # noqa: ANN401 - JSON
        found = where(answer)
        lists = {place: value for place, at, _ in columns if type(value := at(found)) is list}
        if not lists:
            raise MisfitError(f"there are no lists at '{source}'")
        if id_at is not None:
            names = id_at(found)
            if type(names) is not list:
                raise MisfitError(f"there is no list of port numbers at '{table.port}'")
            order = [id_of(name) for name in names]
        else:
            order = list(range(1, max(map(len, lists.values())) + 1))
        if len(set(order)) != len(order):
            times = Counter(order)
            order = [number if times[number] == 1 else None for number in order]
        length = len(order)
        cells: list[list[Any]] = [[None] * length for _ in FIELDS]
        for place, _, convert in columns:
            values = lists.get(place)
            if values is not None and len(values) == length:
                cells[place] = [convert(value) for value in values]
        return {
            number: Row(*values)
            for number, *values in zip(order, *cells, strict=True)
            if number is not None and number in wanted
        }

    return parse


def merge(into: Rows, more: Rows) -> None:
    """Add what another answer says; what was said first stays."""
    for number, row in more.items():
        old = into.get(number)
        if old is None:
            into[number] = row
        else:
            into[number] = Row._make(b if a is None else a for a, b in zip(old, row, strict=True))
