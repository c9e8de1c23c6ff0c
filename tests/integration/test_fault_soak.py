"""Random faults on all transports. BRAKEWATER_FAULT_SECONDS makes it longer (an hour: 3600)."""

import asyncio
import os
import secrets

import pytest

from faults.soak import report, soak

pytestmark = [pytest.mark.integration, pytest.mark.long, pytest.mark.timeout(2 * 3600)]


def test_random_faults_give_no_wrong_value_and_no_stuck_link() -> None:
    seconds = float(os.environ.get("BRAKEWATER_FAULT_SECONDS", "200"))
    seed = secrets.randbelow(1_000_000)
    print(f"seed {seed}")
    print("\n" + report(*asyncio.run(soak(seconds, seed)), seconds, seed))
