"""File names of crews."""

from __future__ import annotations

import pandas as pd

from rehit.outputs.patrol import file_names


def test_no_two_crews_share_a_file_name() -> None:
    crews = pd.DataFrame({"crew_id": ["V1", "V2", "V3", "V4"],
                          "name": ["Van A", "Van-A", "van a", "Ä"]})
    assert file_names(crews) == {"V1": "van_a_v1", "V2": "van-a", "V3": "van_a_v3", "V4": "crew"}
