"""Cells of CSV files: text that a spreadsheet would run as a formula is marked as text, numbers never are.

Only text is touched: an escaped number would be a wrong number, and a negative one begins like a formula (CWE-1236).
"""

from typing import Any

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would run such a cell instead of showing it


def cell(value: Any) -> Any:
    """What is written for a value: nothing for None, text guarded, anything else as it is."""
    if isinstance(value, str) and value.startswith(FORMULA_STARTS):
        return "'" + value
    return "" if value is None else value
