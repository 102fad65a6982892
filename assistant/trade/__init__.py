"""The trade: quantities, units, limits, verdicts, formulas, procedures, job files. Pure."""
