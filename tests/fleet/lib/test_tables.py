import pickle
import sys

import pytest

from fleet.lib.errors import DomainError
from fleet.lib.tables import TableError, read_table


@pytest.fixture
def package(tmp_path, monkeypatch):
    name = f"tables_{abs(hash(str(tmp_path)))}"
    (tmp_path / name).mkdir()
    (tmp_path / name / "__init__.py").write_text("")
    monkeypatch.syspath_prepend(str(tmp_path))
    yield name, tmp_path / name
    sys.modules.pop(name, None)


def test_rows_keep_order_and_skip_comments(package):
    name, folder = package
    (folder / "a.csv").write_text("# source: a handbook\nkey,mass_kg\nx, 12.5 \n\ny,\n", encoding="utf-8")
    rows = read_table(name, "a")
    assert [dict(row) for row in rows] == [{"key": "x", "mass_kg": "12.5"}, {"key": "y", "mass_kg": ""}]
    assert rows[0].number("mass_kg") == 12.5
    assert rows[1].optional_number("mass_kg") is None
    assert [row.line for row in rows] == [3, 5]


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ("key,mass_kg\nx\n", "table.ragged", ["a.csv", "line 2", "mass_kg"]),
        ("key,key\nx,y\n", "table.header", ["a.csv", "line 1", "key"]),
        ("\n", "table.empty", ["a.csv"]),
    ],
)
def test_a_broken_table_is_named(package, text, key, words):
    name, folder = package
    (folder / "a.csv").write_text(text)
    with pytest.raises(TableError) as caught:
        read_table(name, "a")
    assert caught.value.key == key
    assert all(word in caught.value.sentence for word in words)


def test_a_missing_column_names_file_line_and_column(package):
    name, folder = package
    (folder / "a.csv").write_text("key\nx\ny\n")
    row = read_table(name, "a")[1]
    with pytest.raises(TableError, match=r"a\.csv, line 3: there is no column 'mass_kg'"):
        row["mass_kg"]
    with pytest.raises(TableError, match="no column 'mass_kg'"):
        read_table(name, "a", columns=["mass_kg"])


def test_a_wrong_cell_names_file_line_column_and_value(package):
    name, folder = package
    (folder / "a.csv").write_text("key,mass_kg\nx,heavy\n")
    with pytest.raises(TableError, match=r"line 2, column 'mass_kg': 'heavy' is not a number"):
        read_table(name, "a")[0].number("mass_kg")


def test_a_missing_file_is_named(package):
    with pytest.raises(TableError, match=r"nowhere\.csv does not exist"):
        read_table(package[0], "nowhere")


def test_a_domain_error_keeps_key_and_data_through_pickle():
    error = DomainError("stock.too_little", "Only {held} of {wanted} are here.", held=2, wanted=5)
    again = pickle.loads(pickle.dumps(error))
    assert (again.key, again.data, again.sentence) == (error.key, error.data, "Only 2 of 5 are here.")
    assert DomainError("a.key", "Wants {x}.").sentence == "Wants {x}."
