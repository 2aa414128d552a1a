"""What is wrong with columns that are flags: the status of a reading, the index mark of an encoder."""

from swathe_drivers.delimited.columns import IndexMarkColumn, StatusColumn
from swathe_drivers.settings import SettingProblem

_NOT_EMPTY = (
    "must have at least one text: of a kind of records without a thickness or a time of flight it may"
    " be empty, as all of them are readings without an echo"
)


def status_problems(column: StatusColumn, *, without_value: bool) -> list[SettingProblem]:
    """Return what is wrong with the keys of a status together; `without_value`: see `has_no_value`."""
    found: list[SettingProblem] = []
    if column.mask is not None:
        if column.valid or column.invalid:
            requirement = "must be left out with 'valid' or 'invalid', which are texts"
            return [(("mask",), requirement, column.mask)]
        if column.valid_when is None:
            return [(("valid_when",), "must be given with 'mask'", None)]
        if column.valid_when & ~column.mask:
            return [(("valid_when",), "must have no bit outside 'mask'", column.valid_when)]
        return found
    if "valid" not in column.model_fields_set and not (without_value and column.invalid):
        found.append((("valid",), "must be given, or 'mask' and 'valid_when'", None))
    elif not column.valid and not without_value:
        found.append((("valid",), _NOT_EMPTY, []))
    elif not column.valid and not column.invalid:
        requirement = "must have a text, as 'valid' has none: any other is a fault"
        found.append((("invalid",), requirement, []))
    if column.valid_when is not None:
        found.append((("valid_when",), "must be left out without 'mask'", column.valid_when))
    if column.written != "decimal":
        found.append((("written",), "must be left out without 'mask'", column.written))
    return found + _around_problems(column, "'valid' and 'invalid'")


def _around_problems(column: StatusColumn | IndexMarkColumn, lists: str) -> list[SettingProblem]:
    """Return that a flag of texts has these as a whole, and no others around them."""
    requirement = f"must be left out: {lists} have the texts of the column as a whole"
    return [
        ((key,), requirement, getattr(column, key))
        for key in ("before", "behind")
        if getattr(column, key)
    ]


def mark_problems(column: IndexMarkColumn) -> list[SettingProblem]:
    """Return what is wrong with the keys of an index mark together."""
    if column.marked or column.unmarked:
        if column.mask is not None:
            requirement = "must be left out with 'marked' or 'unmarked', which are texts"
            return [(("mask",), requirement, column.mask)]
        if around := _around_problems(column, "'marked' and 'unmarked'"):
            return around
        missing = [key for key in ("marked", "unmarked") if not getattr(column, key)]
        return [((key,), "must have a text: any other is a fault", None) for key in missing]
    if column.mask is None and column.written != "decimal":
        return [(("written",), "must be left out without 'mask'", column.written)]
    return []
