"""How the quantities of a case file are read: kind, bounds, and how wide a ``+-`` makes sense."""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Annotated, Any

from pydantic import Field, PlainValidator

from wallsim.units import Quantity, as_written, example, is_gauge, parse

ABSOLUTE = "is above air pressure where an absolute one belongs; add the air pressure"


def reader(
    si_unit: str,
    *,
    low: float | None = None,
    high: float | None = None,
    above: float | None = None,
    below: float | None = None,
    fixed: bool = False,
    difference: bool = False,
    widest: float | None = None,
    widest_share: float | None = None,
) -> Any:
    """Return a validator that reads a quantity; ``fixed`` ones take no ``+-``.

    What is a `Quantity` already stands in for one that could not be read, and is kept.

    Parameters
    ----------
    si_unit : str
    low, high, above, below : float or None
        Bounds of the value, those of `low` and `high` allowed, in ``si_unit``.
    fixed : bool
    difference : bool
        Whether a temperature is one: 1 degC is then 1 K.
    widest : float or None
        Largest standard deviation, in ``si_unit``.
    widest_share : float or None
        Largest standard deviation as a share of the value [-].
    """
    unit = "" if si_unit == "dimensionless" else f" {si_unit}"
    bounds = low, high, above, below
    written = example(si_unit)
    if fixed:
        written = written.partition(" +-")[0].rstrip('"') + '"'

    def read(value: Any) -> Quantity:
        if isinstance(value, Quantity):
            return value
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise ValueError(f"must be text; write it like {written}")
        text = value if isinstance(value, str) else repr(value)
        try:
            quantity = parse(text, si_unit, difference=difference)
        except ValueError as error:
            wrong, _, hint = str(error).partition("; ")
            hint = hint.replace(example(si_unit), written) or f"write it like {written}"
            raise ValueError(f"{wrong}; {hint}") from error
        if si_unit == "Pa" and is_gauge(text):
            raise ValueError(ABSOLUTE)
        if fixed and quantity.sd:
            raise ValueError("takes no +-, it is held fixed; write the value alone")
        _check_bounds(quantity.value, bounds, lambda bound: as_written(
            bound, text, si_unit, difference=difference))
        _check_width(quantity, widest, widest_share, unit)
        return quantity

    return PlainValidator(read)


def _check_bounds(
    value: float, bounds: tuple[float | None, ...], shown: Callable[[float], str]
) -> None:
    """Raise if a value is beyond `low`, `high`, `above` or `below` of `reader`, in this order.

    ``shown`` writes a bound in the unit of the value.
    """
    share = shown(1.0) == "1" and 1.0 in bounds[1::2]
    check = 'write it like "2 %"' if share else "check value and unit"
    rules = (
        (operator.ge, "{} or more"), (operator.le, "{} or less"),
        (operator.gt, "above {}"), (operator.lt, "below {}"),
    )
    for bound, (holds, words) in zip(bounds, rules, strict=True):
        if bound is not None and not holds(value, bound):
            raise ValueError(f"must be {words.format(shown(bound))}; {check}")


def _check_width(
    quantity: Quantity, widest: float | None, widest_share: float | None, unit: str
) -> None:
    """Raise if the standard deviation says no more than that nothing is known."""
    if not quantity.sd:
        return
    if widest is not None and quantity.sd > widest:
        raise ValueError(f"+- is too wide to mean anything; write +- {widest:g}{unit} or less")
    if widest_share is None:
        return
    if quantity.value == 0.0:
        raise ValueError("takes no +- on 0; write a positive value with it, or 0 alone")
    if quantity.relative_sd > widest_share * (1.0 + 1e-9):
        raise ValueError(
            f"+- is {100.0 * quantity.relative_sd:.0f} % of the value, as good as unknown; "
            f"write +- {100.0 * widest_share:.0f} % or less"
        )


def read_share_or_pressure(value: Any) -> Quantity:
    """Return a plain share [-] or an absolute pressure [Pa]; `is_share` tells which."""
    if isinstance(value, Quantity):
        return value
    try:
        quantity = parse(value if isinstance(value, str) else repr(value), "dimensionless")
    except ValueError:
        try:
            quantity = parse(str(value), "Pa")
        except ValueError:
            raise ValueError(
                'neither a share nor an absolute pressure; write "0.95" or "3.7 bar"'
            ) from None
    if is_gauge(quantity.text):
        raise ValueError(ABSOLUTE)
    if not quantity.value > 0.0:
        raise ValueError("must be positive; check value and unit")
    return quantity


def is_share(quantity: Quantity) -> bool:
    """Return True if the text has no unit of pressure."""
    try:
        parse(quantity.text, "dimensionless")
    except ValueError:
        return False
    return True


def _fraction() -> Any:
    within = reader("dimensionless", low=0.0, high=1.0, widest=0.35)

    def read(value: Any) -> Quantity:
        quantity: Quantity = within.func(value)
        if quantity.sd and not 0.0 < quantity.value < 1.0:
            raise ValueError(
                'takes no +- at 0 or 1, which it cannot exceed; write it like "0.9 +- 0.2", or the '
                "value alone"
            )
        return quantity

    return PlainValidator(read)


def _pair(second: Any) -> Any:
    position = reader("m", low=0.0, fixed=True)

    def read(value: Any) -> tuple[Quantity, Quantity]:
        if isinstance(value, Quantity):
            return value, value
        if not isinstance(value, list) or len(value) != 2:
            raise ValueError('must be a pair; write it like ["40 mm", "0.95"]')
        return position.func(value[0]), second.func(value[1])

    return PlainValidator(read)


Position = Annotated[Quantity, reader("m", low=0.0, widest=0.05)]
FixedLength = Annotated[Quantity, reader("m", above=0.0, fixed=True)]
Size = Annotated[Quantity, reader("m", above=0.0, widest_share=0.5)]
Seconds = Annotated[Quantity, reader("s", low=0.0, widest_share=2.0)]
Moment = Annotated[Quantity, reader("s", fixed=True)]
Temperature = Annotated[Quantity, reader("K", above=0.0, widest_share=0.5)]
FixedTemperature = Annotated[Quantity, reader("K", above=0.0, fixed=True)]
Coefficient = Annotated[Quantity, reader("W/m^2/K", low=0.0, widest_share=2.0)]
Share = Annotated[Quantity, reader("dimensionless", low=0.0, high=1.0, widest=0.5)]
FixedShare = Annotated[Quantity, reader("dimensionless", low=0.0, high=1.0, fixed=True)]
Fraction = Annotated[Quantity, _fraction()]
Factor = Annotated[Quantity, reader("dimensionless", above=0.0, widest_share=2.0)]
Scale = Annotated[Quantity, reader("dimensionless", above=0.0, widest_share=0.5)]
Tilt = Annotated[Quantity, reader("dimensionless", widest=0.5)]
FixedFactor = Annotated[Quantity, reader("dimensionless", above=0.0, fixed=True)]
Word = Annotated[str, Field(pattern=r"\S")]
SharePair = Annotated[
    tuple[Quantity, Quantity], _pair(reader("dimensionless", above=0.0, fixed=True))
]
PressurePair = Annotated[tuple[Quantity, Quantity], _pair(PlainValidator(read_share_or_pressure))]
