"""Nothing but cases: one test a row of the case files."""

from __future__ import annotations

import pytest

from tests.reference.adapters import BUILT, answer
from tests.reference.case_files import Case, agrees, cases_dir, load_cases
from tests.reference.not_built import NOT_BUILT

CASES = load_cases(cases_dir())
if not CASES:
    raise pytest.UsageError(f"No case was found in {cases_dir()}.")


@pytest.mark.parametrize("case", [pytest.param(case, id=case.name) for case in CASES])
def test_case(case: Case) -> None:
    built = case.kind in BUILT.get(case.topic, {})
    listed = case.kind in NOT_BUILT.get(case.topic, frozenset())
    assert built or listed, f"The kind '{case.kind}' is neither built nor listed as not built."
    if not built:
        pytest.xfail(f"{case.topic} kind '{case.kind}' is not built yet")
    given = answer(case.topic, case.kind, case.inputs)
    right = agrees(given, case.expected, case.tolerance)
    if listed:
        assert not right, f"'{case.kind}' passes: take it off the list of kinds not built."
        pytest.xfail(f"{case.topic} kind '{case.kind}' is listed as not built")
    assert right, f"{given!r} is not {case.expected!r} (tolerance {case.tolerance})"
