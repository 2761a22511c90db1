"""docs/validation.md says what the tables of the tests say, and names tests that exist."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.published.evidence import EVIDENCE
from tests.published.reading import read_values
from tests.published.validation_page import PAGE, TITLES, page

TESTS = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def text():
    return page()


def test_the_page_in_docs_is_what_the_tables_say(text):
    assert PAGE.read_text(encoding="utf-8") == text, "run: python -m tests.published.validation_page"


def test_every_value_stands_on_the_page_once(text):
    assert all(text.count(f"| `{name}` ") == 1 for name in read_values())


def test_every_topic_with_values_that_are_met_has_a_title():
    assert {value.topic for value in read_values().values() if value.by} == set(TITLES)


def test_every_row_of_a_table_has_as_many_cells_as_its_head(text):
    width = 0
    for line in text.splitlines():
        cells = line.replace("\\|", "").count("|") if line.startswith("|") else 0
        assert cells in (0, width) or width == 0, line
        width = cells


@pytest.mark.parametrize("name", sorted({name for evidence in EVIDENCE for name in evidence.tests}))
def test_a_test_that_is_named_as_evidence_exists(name):
    path, _, function = name.partition("::")
    tree = ast.parse((TESTS / path).read_text(encoding="utf-8"))
    assert function in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
