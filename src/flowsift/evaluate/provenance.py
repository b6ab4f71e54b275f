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


def method_checksum(method: object) -> str:
    """Return a checksum of the files of a method's package, or of its module where it is in none; empty without one."""
    name = type(method).__module__
    package = getattr(sys.modules[name.partition(".")[0]], "__file__", None)
    if package and Path(package).name == "__init__.py":
        return _checksum(Path(package).parent)
    module = getattr(sys.modules[name], "__file__", None)
    return _checksum(Path(module)) if module else ""


def _checksum(place: Path) -> str:
    """Return a checksum of a file, or of all files below a folder but compiled ones, and their names."""
    digest = hashlib.sha256()
    files = [place] if place.is_file() else (p for p in place.rglob("*") if p.is_file() and p.suffix != ".pyc")
    for path in sorted(files):
        digest.update(path.relative_to(place).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]
