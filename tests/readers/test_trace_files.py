"""Files of flow data in a folder: their names, and the parts of one home as one file."""

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from flowsift.errors import InputError
from flowsift.readers.trace_files import one_file, without_ending

TIMES = pd.date_range("2024-05-01", periods=4, freq="min")


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("7.csv", "7"),
        ("7.csv.gz", "7"),
        ("7.tsv", "7"),
        ("7.txt.gz", "7"),
        ("7.pq", "7"),
        ("B.1.PARQUET", "B.1"),
        ("7", "7"),
        ("7.gz", "7"),
        ("7.pdf", "7.pdf"),
        ("a.csv.csv", "a.csv"),
    ],
)
def test_the_ending_of_flow_data_is_no_part_of_a_name(name, stem):
    assert without_ending(name) == stem


def joined(folder, *tables):
    parts = [folder / f"part-{number}.parquet" for number in range(len(tables))]
    for part, table in zip(parts, tables, strict=True):
        pq.write_table(pa.table(table), part)
    with one_file(parts) as file:
        return pq.read_table(file)


def test_one_part_is_read_where_it_lies(tmp_path):
    with one_file([tmp_path / "a.csv"]) as file:
        assert file == tmp_path / "a.csv"


@pytest.mark.parametrize(
    "first",
    [pa.array([0, 0]), pa.nulls(2), pa.array([0.0, 0.0], pa.float32()), pa.array([0, 0], pa.int8())],
    ids=lambda values: str(values.type),
)
@pytest.mark.parametrize("turned", [False, True])
def test_types_may_be_narrower_in_one_part(tmp_path, first, turned):
    tables = [{"time": TIMES[:2], "volume_l": first}, {"time": TIMES[2:], "volume_l": [0.25, 1.5]}]
    table = joined(tmp_path, *(tables[::-1] if turned else tables))
    assert table.column("volume_l").type == pa.float64()
    assert table.to_pandas().sort_values("time")["volume_l"].fillna(0.0).tolist() == [0.0, 0.0, 0.25, 1.5]


def test_what_is_told_by_categories_in_one_part_is_text_in_another(tmp_path):
    text = pa.array(["a", "b"])
    table = joined(tmp_path, {"meter": text.dictionary_encode()}, {"meter": text})
    assert table.column("meter").to_pylist() == ["a", "b", "a", "b"]


def test_times_of_different_zones_are_the_same_instants(tmp_path):
    denver = TIMES.tz_localize("America/Denver").as_unit("us")
    table = joined(tmp_path, {"time": denver[:2]}, {"time": denver[2:].tz_convert("UTC").as_unit("ns")})
    assert table.column("time").to_pandas().tolist() == denver.tolist()


@pytest.mark.parametrize(("first", "second", "found"), [(None, "UTC", "with"), ("UTC", None, "without")])
def test_times_with_and_without_a_zone_are_never_mixed(tmp_path, first, second, found):
    with pytest.raises(InputError, match=rf'^part-1.parquet, column "time": found times {found} a zone, expected'):
        joined(tmp_path, {"time": TIMES[:2].tz_localize(first)}, {"time": TIMES[2:].tz_localize(second)})
