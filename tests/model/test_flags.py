"""Flags of the outline name the columns to distrust, and by how much."""

from __future__ import annotations

import re

import pytest

from poolwatch.model.flags import FLAGS
from poolwatch.model.tables import FRAMES, SCORE

OUTLINE = (
    "pool_cut_off",
    "edge_saturated",
    "tail_narrow",
    "edge_unseen",
    "tail_faint",
    "liquid_alike",
    "pool_small",
)
AMOUNT = re.compile(r"\d (%|px)|tenth|third|half|the larger the share")


@pytest.mark.parametrize("name", OUTLINE)
def test_a_flag_of_the_outline_names_columns_and_an_amount(name):
    columns = {c.name for table in (FRAMES, SCORE) for c in table.columns}
    written = set(re.findall(r"\b[a-z]+(?:_[a-z0-9]+)+\b", FLAGS[name]))
    assert any(word in columns for word in written), FLAGS[name]
    assert AMOUNT.search(FLAGS[name])


@pytest.mark.parametrize("name", FLAGS)
def test_every_column_that_a_flag_names_exists(name):
    columns = {c.name for table in (FRAMES, SCORE) for c in table.columns}
    written = re.findall(r"\bpool_[a-z0-9_]+\b", FLAGS[name])
    stems = {re.sub(r"_(mm|cv|mean_mm|mean_mm2|mm2)$", "", c) for c in columns}
    assert all(word in columns | stems | set(FLAGS) for word in written), written
