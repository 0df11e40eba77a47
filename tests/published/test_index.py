"""The index of outside checks names a test for every row, and only tests that exist."""

import ast
import re
from pathlib import Path

FOLDER = Path(__file__).parent
NAMED = re.compile(r"`([\w./]+\.py)::(test_\w+)`")


def names_of_tests(file: Path) -> set[str]:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    return {
        node.name
        for node in tree.body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    }


def test_every_test_named_in_the_index_exists() -> None:
    named = NAMED.findall((FOLDER / "README.md").read_text(encoding="utf-8"))
    assert len(named) > 50
    missing = [
        f"{file}::{test}" for file, test in named if test not in names_of_tests(FOLDER / file)
    ]
    assert missing == []


def test_every_row_of_the_index_names_a_test() -> None:
    lines = (FOLDER / "README.md").read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines if line.startswith("| ") and not line.startswith("| check ")]
    assert [row for row in rows if not NAMED.search(row)] == []
