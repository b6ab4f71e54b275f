"""From rows of a meter to a regular grid: order, spacing, gaps, faults and what was done about them.

Pure functions on arrays; `flowsift.trace` and `flowsift.readers` use them for whole records, `flowsift.stream` for rows
as they arrive.
"""
