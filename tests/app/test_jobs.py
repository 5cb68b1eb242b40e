"""A command as a process: how it goes, how it ends."""

from __future__ import annotations

from pathlib import Path

from rehit.app.jobs import Job, _hear, start_job


def test_a_command_that_cannot_be_done_is_refused_with_its_errors(tmp_path: Path) -> None:
    job = start_job("clean", [tmp_path], language="en")
    job.wait(120)
    assert job.state == "refused"
    assert job.answer["errors"][0]["where"] == str(tmp_path / "rehit.toml")


def test_a_stopped_command_is_stopped_and_no_fault(tmp_path: Path) -> None:
    job = start_job("clean", [tmp_path], language="en")
    job.stop()
    job.wait(120)
    assert job.state in ("stopped", "refused")
    assert job.state == "stopped" or job.answer  # it may have ended before it heard


def test_steps_are_heard_and_other_lines_are_not() -> None:
    job = Job("report")
    for line in ('{"step": "step.cleaning", "of": 4}\n', "Note: a warning\n", "{}\n",
                 '{"step": "step.matching", "of": 4}\n'):
        _hear(job, line)
    assert (job.step, job.done, job.total, job.share) == ("step.matching", 2, 4, 0.25)


def test_the_time_left_is_what_the_steps_took_before() -> None:
    before = {"step.reading_log": 1.0, "step.cleaning": 2.0, "step.matching": 4.0}
    assert Job("clean", step="step.cleaning").seconds_left(before) == 6.0
    assert Job("clean", step="step.ranking").seconds_left(before) is None
