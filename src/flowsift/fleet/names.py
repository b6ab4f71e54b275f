"""Names of folders that stand for homes: any id in, a safe and unmistakable name out."""

from __future__ import annotations

import re
from urllib.parse import quote, unquote

KEY = "home"
"""Partition key of everything that is written."""

NO_VALUE = "__HIVE_DEFAULT_PARTITION__"
"""What writers of partitioned data sets put in the place of a missing value."""

_PARTITION = re.compile(r"([^=]+)=(.*)", re.DOTALL)


def partition_of(home: str) -> str:
    """Return the folder name of a home, ``home=`` and its id percent-encoded as UTF-8.

    Lower-case letters, digits, ``_`` and ``-`` stay, and dots that aren't last. Capitals are encoded too: no two ids
    share a name even on a disk that takes ``A`` for ``a``. Readers of partitioned data sets decode it. Ids that aren't
    UTF-8 get names that no other id has (`trouble_with` says why there are no answers of them).

    Examples
    --------
    >>> partition_of("b-17")
    'home=b-17'
    >>> partition_of("../B 17")
    'home=..%2F%42%2017'
    """
    encoded = "".join(
        f"%{ord(c):02X}" if c.isascii() and c.isupper() else quote(c, safe="", errors="surrogatepass") for c in home
    )
    encoded = encoded.replace("~", "%7E")
    return f"{KEY}={encoded[:-1]}%2E" if encoded.endswith(".") else f"{KEY}={encoded}"


def split_partition(folder: str) -> tuple[str, str] | None:
    """Return key and decoded value of a folder named ``key=value``; None for another name.

    Examples
    --------
    >>> split_partition("meter=b%2017")
    ('meter', 'b 17')
    """
    match = _PARTITION.fullmatch(folder)
    return None if match is None else (unquote(match[1]), unquote(match[2], errors="surrogateescape"))


def trouble_with(home: str) -> str | None:
    """Say why an id can't stand for a home; None where it can."""
    if home in ("", NO_VALUE):
        return "found data without the id of a home"
    if any("\ud800" <= character <= "\udfff" for character in home):
        return f"found a name that isn't UTF-8 text ({home!a})"
    return None


def as_text(name: str) -> str:
    """Return a name as tables can hold it: as it is, or escaped where it isn't UTF-8.

    Examples
    --------
    >>> as_text("café"), as_text("caf\\udce9")
    ('café', 'caf\\\\udce9')
    """
    return name.encode(errors="backslashreplace").decode()


def printable(home: str) -> str:
    """Return an id as it can be shown: as it is, or escaped where it would move a terminal's cursor.

    Examples
    --------
    >>> printable("b 17"), printable("b\\x1b[2J")
    ('b 17', 'b\\\\x1b[2J')
    """
    return home if home.isprintable() else ascii(home)[1:-1]
