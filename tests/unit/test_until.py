"""What the tests wait for and does not come about is told as it stands then, not as it stood before the wait."""

import pytest

from brokers import until


def test_a_wait_in_vain_tells_how_things_stand_at_its_end() -> None:
    said: list[str] = []

    def met() -> bool:
        said.append(f"look {len(said)}")
        return False

    with pytest.raises(AssertionError, match=r"not in 0.05 s: \['look 0', 'look 1'"):
        until(met, lambda: said, within_s=0.05)
