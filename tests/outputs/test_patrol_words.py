"""What is said of a patrol: when a crew is back and why if early, in English and Spanish."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from rehit.messages import from_text, message
from rehit.outputs.patrol import crew_message, day_after
from rehit.report.say import Say


def _day(*, back_min: float, n_left_out: int) -> tuple[Any, Any]:
    rows = pd.DataFrame({"arrive_min": [540.0, back_min]})
    sheet = SimpleNamespace(crew={"crew_id": "V1", "name": "Van A", "shift_end_min": 900.0},
                            rows=rows, stops=rows.head(1))
    codes = ["reserve" if n_left_out > 4 else "day_full"] * n_left_out
    return SimpleNamespace(left_out=pd.DataFrame({"code": codes}), home={"V1": 0.9}), sheet


@pytest.mark.parametrize(("back_min", "early_min", "n_left_out", "code"), [
    (870.5, 30.0, 4, "crew_day.crew_back"), (870.0, 30.0, 4, "crew_day.crew_early_fits"),
    (870.0, 30.0, 0, "crew_day.crew_early_all"), (870.0, 45.0, 4, "crew_day.crew_back"),
    (870.0, 30.0, 5, "crew_day.crew_early_reserve")])
def test_a_crew_back_early_says_why(back_min: float, early_min: float, n_left_out: int,
                                    code: str) -> None:
    plan, sheet = _day(back_min=back_min, n_left_out=n_left_out)
    told = crew_message(plan, sheet, early_min=early_min)
    assert told == message(code, crew="Van A", stops=1, back="14:30", end="15:00",
                           chance=0.9)


@pytest.mark.parametrize(("language", "words"), [
    ("en", ["  Van A: 1 stop, back at 14:30, home in time on 90% of simulated days.",
            "Friday 2 January 2026: 1 of 3 crews goes out to 1 reported job and 20 hotspots, where "
            "about 3.2 markings should be found.",
            "Left out: 6 Hill St: no crew out today can do this: hot wash."]),
    ("es", ["  Van A: 1 parada, de vuelta a las 14:30, a tiempo en el 90\u00a0% de los días "
            "simulados.",
            "viernes, 2 de enero de 2026: sale 1 de 3 equipos a 1 trabajo notificado y 20 puntos "
            "críticos, donde deberían encontrarse unas 3,2 marcas.",
            "Queda fuera: 6 Hill St: ningún equipo de hoy puede hacerlo: lavar con agua "
            "caliente."])])
def test_the_day_is_said_in_both_languages(language: str, words: list[str]) -> None:
    reason = from_text('left_out.no_crew {"method": "hot_wash"}')
    told = [message("crew_day.crew_back", crew="Van A", stops=1, back="14:30", end="15:00",
                           chance=0.9),
            message("crew_day.day", day=date(2026, 1, 2), n=1, crews=3, jobs=1, spots=20,
                    found=3.21),
            message("crew_day.left_out", name="6 Hill St", reason=reason)]
    assert Say(language).all(told) == words


def test_the_day_after_the_log_is_that_of_the_place_s_clock() -> None:
    assert day_after(pd.Timestamp("2025-03-14 00:00", tz="UTC"), time_zone="UTC") == date(
        2025, 3, 14)
    assert day_after(pd.Timestamp("2025-03-13 23:30", tz="UTC"),
                     time_zone="Asia/Tokyo") == date(2025, 3, 15)
