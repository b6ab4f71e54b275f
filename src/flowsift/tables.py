"""The table type of every result: a pandas DataFrame that can show itself in US customary units."""

from __future__ import annotations

from typing import Any

import pandas as pd

from flowsift.units import us_column


class Table(pd.DataFrame):
    """A DataFrame whose volume and flow columns end in ``_l`` and ``_lpm``, or whose axis of columns is named so.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> result.trickle.in_us_units().columns.tolist()
    ['start', 'end', 'rate_gpm', 'low_gpm', 'high_gpm', 'volume_gal']
    """

    @property
    def _constructor(self) -> Any:
        return Table

    def in_us_units(self) -> Table:
        """Return a copy in gallons and gallons per minute, columns renamed to match.

        ``volume_l`` becomes ``volume_gal``, ``peak_lpm`` becomes ``peak_gpm``; other columns are unchanged. Where the
        axis of columns is named ``flow_lpm``, all numbers are flows; it becomes ``flow_gpm``.
        """
        axis, litres_in_all = us_column(str(self.columns.name))
        if litres_in_all != 1.0:
            numbers = self.select_dtypes("float").columns
            table = self.assign(**(self[numbers] / litres_in_all))
            table.columns.name = axis
            return table
        converted = {}
        for name in self.columns:
            new_name, litres = us_column(str(name))
            converted[new_name] = self[name] if litres == 1.0 else self[name] / litres
        table = Table(converted, index=self.index)
        table.columns.name = self.columns.name
        return table
