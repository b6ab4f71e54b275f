"""Where a fleet's data lie: which homes there are, and which files each has."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from flowsift.errors import InputError, OptionError
from flowsift.fleet.names import KEY, split_partition, trouble_with
from flowsift.readers.trace_files import is_hidden, without_ending

_STAMPS = ("ETag", "etag", "mtime", "LastModified", "last_modified", "updated", "created")
"""What file systems call the mark that changes with a file's content, the stronger first."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Home:
    """One home of a fleet.

    Attributes
    ----------
    name : str
        Its id.
    entries : tuple of str
        Its folder or file below the source; more than one where several claim the same id.
    """

    name: str
    entries: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class FleetSource:
    r"""A data set of many homes.

    Attributes
    ----------
    url : str
        Absolute path or URL.
    key : str
        Partition key whose values are the homes; in a folder of files, the column that would tell the home.
    partitioned : bool
        Whether the homes are partitions; else each is a file, named after it.
    entries : tuple of str
        Names of the folders or files, by home.

    Examples
    --------
    >>> from pathlib import Path
    >>> from flowsift.fleet import find_homes
    >>> for name in ("a", "b"):
    ...     Path("homes").mkdir(exist_ok=True)
    ...     _ = Path(f"homes/{name}.csv").write_text("time,volume_l\n2024-06-12 07:00,0\n2024-06-12 07:01,6\n")
    >>> [home.name for home in find_homes("homes").homes()]
    ['a', 'b']
    """

    url: str
    key: str
    partitioned: bool
    entries: tuple[str, ...]

    def homes(self) -> Iterator[Home]:
        """Yield the homes, sorted by id."""
        for name, entries in groupby(self.entries, self._home_of):
            yield Home(name=name, entries=tuple(entries))

    def __len__(self) -> int:
        """Return the number of homes."""
        return sum(1 for _ in groupby(self.entries, self._home_of))

    def _home_of(self, entry: str) -> str:
        return _value(entry) if self.partitioned else without_ending(entry)


@dataclass(frozen=True, kw_only=True)
class InputFile:
    """A file of a home.

    Attributes
    ----------
    path : str
        Below the source.
    size : int
        Bytes.
    stamp : str
        Mark of the file system that changes with the content.
    """

    path: str
    size: int
    stamp: str


def find_homes(source: str | os.PathLike[str], *, key: str = KEY) -> FleetSource:
    r"""Find the homes of a data set.

    Parameters
    ----------
    source : str or path
        A path or URL of `fsspec`: a data set partitioned by home (folders ``KEY=ID``), or a folder of files, one a
        home and named after it. Names that start with a dot or an underscore, and what isn't of the kind that was
        found (files beside partitions, folders beside files), are left alone.
    key : str
        Partition key whose values are the homes; it must be the first level of folders. A Parquet file that has it as a
        column must hold rows of one home alone: the partition's, and in a folder of files any one.

    Returns
    -------
    FleetSource

    Raises
    ------
    InputError
        Nothing there, or nothing in it.
    OptionError
        Folders of another partition key, or the package for such a URL isn't installed.

    Examples
    --------
    >>> from pathlib import Path
    >>> from flowsift.fleet import find_homes
    >>> for name in ("a", "b"):
    ...     Path("homes").mkdir(exist_ok=True)
    ...     _ = Path(f"homes/{name}.csv").write_text("time,volume_l\n2024-06-12 07:00,0\n2024-06-12 07:01,6\n")
    >>> len(list(find_homes("homes").homes()))
    2
    """
    url = absolute(source)
    fs, root = open_files(url)
    if fs.isfile(root):
        raise InputError("is a file, expected a folder with many homes", file=url)
    try:
        kinds = _kinds(fs, root)
    except FileNotFoundError as error:
        raise InputError(
            "found no folder, expected a data set partitioned by home or a folder of files", file=url
        ) from error
    folders = [name for name, kind in kinds.items() if kind == "directory"]
    partitions = {name: split for name in folders if (split := split_partition(name)) is not None}
    other = next((found for found, _ in partitions.values() if found != key), None)
    if other is not None:
        raise OptionError(
            f"{url}: found partitions by {other!r}, expected the homes, by {key!r}: pass --key {other} "
            "(find_homes(key=...)) if each is one home"
        )
    if partitions:
        entries = sorted(partitions, key=lambda name: (partitions[name][1], name))
    else:
        files = [name for name, kind in kinds.items() if kind == "file"]
        entries = sorted(files, key=lambda name: (without_ending(name), name))
    if not entries:
        raise InputError(f"found no folders {key}=... and no files", file=url)
    return FleetSource(url=url, key=key, partitioned=bool(partitions), entries=tuple(entries))


def input_files(fs: Any, root: str, home: Home) -> Sequence[InputFile]:
    """Return the files of a home, sorted by path.

    Raises
    ------
    InputError
        An id that can't be, or that several claim; no file.
    """
    trouble = trouble_with(home.name)
    if trouble is not None:
        raise InputError(f"{trouble}, expected an id as UTF-8 text", file=home.entries[0])
    if len(home.entries) > 1:
        raise InputError(
            f"found the same home in {' and '.join(home.entries)}, expected one of them", file=home.entries[0]
        )
    top = f"{root.rstrip('/')}/"
    found = {
        path[path.index(top) + len(top) :]: info for path, info in fs.find(top + home.entries[0], detail=True).items()
    }
    files = [
        InputFile(path=path, size=int(info["size"]), stamp=_stamp(info))
        for path, info in sorted(found.items())
        if not any(map(is_hidden, path.split("/")))
    ]
    if not files:
        raise InputError("found no file", file=home.entries[0])
    return files


def absolute(place: str | os.PathLike[str]) -> str:
    """Return a URL as it is, and a local path as an absolute one, the same for every worker of this machine."""
    text = os.fspath(place)
    return text if "://" in text or "::" in text else os.path.abspath(text)


def open_files(url: str) -> tuple[Any, str]:
    """Return the file system of a URL or path, and the path in it.

    Raises
    ------
    OptionError
        If fsspec, or the package for this kind of URL, isn't installed.
    """
    try:
        from fsspec.core import url_to_fs

        fs, path = url_to_fs(url)
    except ImportError as error:
        raise OptionError(f"fleets need fsspec and dask: install flowsift[fleet] ({error})") from error
    except ValueError as error:
        raise OptionError(f"{url}: {error}") from error
    # A long-lived worker may have listed this place in an earlier run.
    fs.invalidate_cache()
    return fs, path


def _value(entry: str) -> str:
    split = split_partition(entry)
    return entry if split is None else split[1]


def _kinds(fs: Any, root: str) -> dict[str, str]:
    """Return the names in a folder but hidden ones and its own mark, and whether each is a directory or a file."""
    kinds = {}
    for entry in fs.ls(root, detail=True):
        path, kind = entry["name"].rstrip("/"), entry["type"]
        name = path.rsplit("/", 1)[-1]
        if path == root.rstrip("/") or is_hidden(name):
            continue
        if kind == "other":  # a link: what it leads to
            kind = "directory" if fs.isdir(path) else "file" if fs.isfile(path) else kind
        kinds[name] = kind
    return kinds


def _stamp(info: dict[str, Any]) -> str:
    return next((str(info[name]) for name in _STAMPS if info.get(name) is not None), "")
