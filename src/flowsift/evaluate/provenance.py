"""What a run was made with: versions of packages, the commit, and checksums of the code that ran."""

from __future__ import annotations

import hashlib
import platform
import subprocess
import sys
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import flowsift

PACKAGES = ("flowsift", "numpy", "scipy", "pandas", "scikit-learn", "hmmlearn", "ruptures")
"""Packages whose versions are recorded."""


def versions() -> dict[str, str]:
    """Return the versions of Python and of the packages that matter; absent ones are left out."""
    found = {"python": platform.python_version()}
    for package in PACKAGES:
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            continue
    return found


def commit() -> str:
    """Return the commit of the working copy that holds the package, ``+`` if it has changes; empty without git."""
    folder = Path(flowsift.__file__).parent

    def git(*arguments: str) -> str:
        done = subprocess.run(
            ["git", "-C", str(folder), *arguments], capture_output=True, text=True, timeout=10, check=True
        )
        return done.stdout.strip()

    try:
        head = git("rev-parse", "--short=12", "HEAD")
        return head + ("+" if git("status", "--porcelain", "--", str(folder)) else "")
    except (OSError, subprocess.SubprocessError):
        return ""


def code_checksum() -> str:
    """Return a checksum of the package's source and data files, trained weights included."""
    return _checksum(Path(flowsift.__file__).parent)


def method_checksum(method: object, *, module: str) -> str:
    """Return a checksum of the code of a method: of its class, and of the module in which it was asked for.

    Parameters
    ----------
    method : object
    module : str
        Name of the module that made it, by a factory or as an instance with options of its own.

    Returns
    -------
    str
        Of the files of both packages, or of a module where it is in none; empty where there are no files.
    """
    places = {place for place in map(_place_of, (type(method).__module__, module)) if place is not None}
    return _checksum(*sorted(places)) if places else ""


def _place_of(module: str) -> Path | None:
    """Return the folder of a module's package, or its file where it is in none; None without one."""
    package = getattr(sys.modules[module.partition(".")[0]], "__file__", None)
    if package and Path(package).name == "__init__.py":
        return Path(package).parent
    file = getattr(sys.modules[module], "__file__", None)
    return Path(file) if file else None


def _checksum(*places: Path) -> str:
    """Return a checksum of files, or of all files below folders but compiled ones, and their names."""
    digest = hashlib.sha256()
    for place in places:
        files = [place] if place.is_file() else (p for p in place.rglob("*") if p.is_file() and p.suffix != ".pyc")
        for path in sorted(files):
            digest.update(path.relative_to(place).as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]
