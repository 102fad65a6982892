"""The trade's formulas: pure functions of values in named units.

Identifiers F1, F2 ... are those of `tests/outside/test_formulas_published.py`, where each formula is checked
against values printed elsewhere.

Arguments and results are `decimal.Decimal`, in the unit that the name ends with. A result is rounded to six
significant digits. Every function raises `ValueError` with one sentence when a value lies outside what its
formula is valid for: docs/computing.md prints the range of each, found by trying.

The source of a formula stands in its entry of `trade.computations`, from where it is printed and recorded; that of what
no entry calls, and of a constant, beside it.
"""
