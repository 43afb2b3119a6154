"""Days between dates, by integers alone: how old a test is at a moment of the wall clock.

The count of days of the proleptic Gregorian calendar in whole numbers is the method of E. G. Richards, Mapping Time
(1998), as commonly printed (from memory); a test holds it to the standard library's calendar.
"""

DAY_NS = 86_400_000_000_000


def day_number(date: str) -> int:
    """Days from 1970-01-01 to a date written 2026-06-12."""
    year, month, day = int(date[:4]), int(date[5:7]), int(date[8:10])
    if month <= 2:
        year, month = year - 1, month + 12
    leaps = year // 4 - year // 100 + year // 400
    return 365 * year + leaps + (153 * (month - 3) + 2) // 5 + day - 1 - 719468


def age_days(date: str, utc_ns: int) -> int:
    """Whole days from the begin of a date (UTC) to a moment; negative when the date is yet to come."""
    return utc_ns // DAY_NS - day_number(date)
