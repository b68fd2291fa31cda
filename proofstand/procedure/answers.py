"""What a person answers to a question: read once, here, for all who ask."""

from __future__ import annotations

from records.errors import InputError
from records.measure import UNITS, Quantity, Reference, parse_quantity
from records.plan import GAUGE_LOOKS
from records.run import Request

_NOTHING = ("no", "none", "n")
_ONCE = ("yes", "y")
_COUNTED = {"solution_leak": "places", "bubble_count": "bubbles", "heard": "times"}
MOST_COUNTED = 10_000


def reads_gauge(request: Request) -> bool:
    """Tell whether the answer is a pressure and not a number that was counted."""
    return request.look in GAUGE_LOOKS


def unit_asked(request: Request) -> str:
    """Return in what the answer is given unless it says otherwise."""
    step = request.resolution
    if step is None:
        return _COUNTED[request.look]
    name = step.typed.split(" ", 1)[-1].removesuffix(Reference.DIFFERENCE.value)
    return f"{name.strip()} gauge"


def parsed_answer(request: Request, text: str) -> Quantity:
    """Return what an answer says.

    Args:
        request: with a ``look``.
        text: ``no``, ``yes`` or a number for what is counted; a pressure, or a number
            in the unit of the gauge's steps.

    Raises:
        InputError: it is neither; with what would do.
    """
    said = text.strip()
    if reads_gauge(request):
        bare = said.replace(",", ".", 1).removeprefix("-").replace(".", "", 1)
        whole = f"{said} {unit_asked(request)}" if bare.isdigit() else said
        found = parse_quantity(whole)
        if found.reference is not Reference.GAUGE:
            raise _wrong(request, said, f"a pressure in {unit_asked(request)}")
        return found
    lower = said.lower()
    if lower in _NOTHING or lower in _ONCE:
        said = "1" if lower in _ONCE else "0"
    if not said.isdecimal() or int(said) > MOST_COUNTED:
        raise _wrong(request, text, "no, or how many: 0, 1, 2 ...")
    unit = unit_asked(request)
    return Quantity(float(said), UNITS[unit].kind, Reference.NONE, f"{said} {unit}")


def _wrong(request: Request, given: str, right: str) -> InputError:
    return InputError("value_wrong", key=request.look, given=given, right=right)
