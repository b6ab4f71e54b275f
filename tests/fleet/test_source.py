"""Which homes a data set holds."""

import pytest

from flowsift.errors import InputError, OptionError
from flowsift.fleet import find_homes
from flowsift.fleet.source import input_files, open_files

fsspec = pytest.importorskip("fsspec")


def touch(folder, *names):
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"x")


def names_of(source):
    return [home.name for home in source.homes()]


def test_partitions_are_homes(tmp_path):
    touch(tmp_path, "meter=b/p.parquet", "meter=A%2F1/2024/p.parquet", "_SUCCESS", ".x", "README.txt")
    found = find_homes(tmp_path, key="meter")
    assert (found.key, found.partitioned, len(found), names_of(found)) == ("meter", True, 2, ["A/1", "b"])


def test_another_key_is_never_taken_for_homes(tmp_path):
    touch(tmp_path, "year=2024/home=1/a.csv", "year=2024/home=2/a.csv")
    with pytest.raises(OptionError, match="partitions by 'year', expected the homes, by 'home': pass --key year"):
        find_homes(tmp_path)


def test_files_are_homes(tmp_path):
    touch(tmp_path, "b.csv", "a.parquet", "c.csv.gz", "_d.csv", "below/e.csv")
    found = find_homes(tmp_path, key="account")
    assert (found.key, found.partitioned, len(found), names_of(found)) == ("account", False, 3, ["a", "b", "c"])


def test_a_file_is_no_partition_whatever_its_name(tmp_path):
    touch(tmp_path, "a.csv", "home=c.csv", "meter=2.csv")
    found = find_homes(tmp_path)
    assert (found.partitioned, names_of(found)) == (False, ["a", "home=c", "meter=2"])


def test_a_link_is_what_it_leads_to(tmp_path):
    touch(tmp_path, "far/7/p.parquet", "far/a.csv")
    for folder in ("folders", "files"):
        (tmp_path / folder).mkdir()
    (tmp_path / "folders" / "home=7").symlink_to(tmp_path / "far" / "7")
    (tmp_path / "files" / "a.csv").symlink_to(tmp_path / "far" / "a.csv")
    (tmp_path / "files" / "b.csv").symlink_to(tmp_path / "nowhere")
    for folder, partitioned, name, files in (
        ("folders", True, "7", ["home=7/p.parquet"]),
        ("files", False, "a", ["a.csv"]),
    ):
        found = find_homes(tmp_path / folder)
        assert (found.partitioned, names_of(found)) == (partitioned, [name])
        fs, root = open_files(found.url)
        assert [file.path for file in input_files(fs, root, next(found.homes()))] == files


def test_any_url_of_fsspec():
    memory = fsspec.filesystem("memory")
    memory.pipe({"/found/home=7/a.csv": b"x", "/found/home=007/a.csv": b"x"})
    try:
        found = find_homes("memory://found")
        assert names_of(found) == ["007", "7"]
    finally:
        memory.rm("/found", recursive=True)


def test_a_home_may_have_many_files_and_hidden_ones_do_not_count(tmp_path):
    touch(tmp_path, *(f"home=1/{name}" for name in ("b.parquet", "y=1/a.parquet", ".c", "_tmp/d.parquet")))
    found = find_homes(tmp_path)
    fs, root = open_files(found.url)
    files = input_files(fs, root, next(found.homes()))
    assert [(file.path, file.size) for file in files] == [("home=1/b.parquet", 1), ("home=1/y=1/a.parquet", 1)]
    assert all(file.stamp for file in files)


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (("home=/a.csv",), "without the id"),
        (("home=a/a.csv", "home=%61/a.csv"), "same home in home=%61 and home=a"),
        (("a.csv", "a.parquet"), "same home in a.csv and a.parquet"),
        (("home=1/_a.csv",), "no file"),
    ],
)
def test_a_home_that_cannot_be_told_is_that_homes_error(tmp_path, names, words):
    touch(tmp_path, *names)
    found = find_homes(tmp_path)
    assert len(found) == 1
    fs, root = open_files(found.url)
    with pytest.raises(InputError, match=words):
        input_files(fs, root, next(found.homes()))


def test_what_is_no_data_set(tmp_path):
    with pytest.raises(InputError, match="found no folders home="):
        find_homes(tmp_path)
    with pytest.raises(InputError, match="found no folder, expected"):
        find_homes(tmp_path / "nowhere")
    touch(tmp_path, "home=1/a.csv", "region=2/a.csv")
    with pytest.raises(OptionError, match="by 'region'"):
        find_homes(tmp_path)
    with pytest.raises(InputError, match="is a file"):
        find_homes(tmp_path / "home=1" / "a.csv")
    with pytest.raises(OptionError, match="nonsense"):
        find_homes("nonsense://there")
