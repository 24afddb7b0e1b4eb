"""Element numbers come back as they were written."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.write.quantities import element_runs, elements_text, runs_text, runs_without


@pytest.mark.parametrize(
    ("where", "text"), [([], ""), ([0], "0"), ([2, 3, 4, 7], "2-4 7"), (range(12), "0-11")]
)
def test_runs_of_elements(where: list[int], text: str) -> None:
    bad = np.zeros((3, 4), np.bool_)
    bad.flat[list(where)] = True
    assert elements_text(bad) == text


@given(hnp.arrays(np.bool_, st.tuples(st.integers(1, 5), st.integers(1, 9))))
def test_they_come_back(bad: np.ndarray) -> None:
    before = bad.copy()
    told = [i for run in element_runs(elements_text(bad)) for i in run]
    assert told == np.flatnonzero(bad).tolist()
    np.testing.assert_array_equal(bad, before)


@given(hnp.arrays(np.bool_, 40), hnp.arrays(np.bool_, 40), hnp.arrays(np.bool_, 40))
def test_what_is_new_is_what_no_other_has(
    bad: np.ndarray, one: np.ndarray, two: np.ndarray
) -> None:
    others = [*element_runs(elements_text(one)), *element_runs(elements_text(two))]
    new = runs_without(element_runs(elements_text(bad)), others)
    assert runs_text(new) == elements_text(bad & ~one & ~two)
