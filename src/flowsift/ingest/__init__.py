"""From rows of a meter to a regular grid: order, spacing, gaps, faults and what was done about them.

Pure functions on arrays; `flowsift.trace` and `flowsift.readers` are their only users.
"""
