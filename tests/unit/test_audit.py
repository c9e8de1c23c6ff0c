"""What the audit of the lock file says: what was not asked for is never sound."""

import importlib.util
from pathlib import Path
from typing import Any

import pytest

FILE = Path(__file__).parents[2] / "deploy" / "audit.py"
spec = importlib.util.spec_from_file_location("audit", FILE)
assert spec is not None
assert spec.loader is not None
audit = importlib.util.module_from_spec(spec)
spec.loader.exec_module(audit)

SOUND = {"name": "a", "version": "1.0", "vulns": []}
KNOWN = {"name": "b", "version": "2.0", "vulns": [{"id": "PYSEC-2020-1", "fix_versions": ["2.1"]}]}
SKIPPED = {"name": "c", "skip_reason": "not found"}


@pytest.mark.parametrize(
    ("packages", "status", "says"),
    [
        ([SOUND], 0, "1 of 1 packages asked for, 0 with known"),
        ([SOUND, KNOWN], 1, "b 2.0: PYSEC-2020-1, mended in 2.1"),
        ([SOUND, SKIPPED], 3, "NOT AUDITED, the service did not know or answer: c"),
        ([KNOWN, SKIPPED], 1, "1 of 2 packages asked for, 1 with known"),
        ([], 3, "0 of 0 packages"),
    ],
)
def test_only_what_was_asked_for_counts(packages: list[dict[str, Any]], status: int, says: str) -> None:
    found, lines = audit.told({"dependencies": packages})
    assert found == status
    assert says in "\n".join(lines)
