"""The report of one visit: a page for the customer, the detail behind it."""
