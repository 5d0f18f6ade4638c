"""A small protocol for the tests of the trial room."""

import pytest

from studykit.protocol.types import Protocol


@pytest.fixture
def protocol():
    """Makes a protocol; what is given to ``planning`` and ``outcome`` is added to its own."""

    def make(planning=None, outcome=None, **changes):
        """A small protocol; ``planning`` and ``outcome`` are added to its own."""
        strength = {
            "kind": "continuous",
            "code": "strength",
            "name": "Strength",
            "unit": "kg",
            "role": "primary",
            "score": {"rule": "load at repetitions", "repetitions": 8},
            "exercises": ["leg_press", "row"],
            "primary_visit": "week_12",
            **(outcome or {}),
        }
        content = {
            "format": 1,
            "design": "parallel",
            "study": {
                "title": "T",
                "code": "t",
                "version": "1.0",
                "date": "2026-01-05",
                "question": "Which?",
            },
            "arms": [
                {
                    "code": "partner_reps",
                    "name": "P",
                    "dose": {"partner_reps_per_set": 4, "exercises_per_session": 3},
                },
                {"code": "conventional", "name": "C", "reference": True},
            ],
            "exercises": [
                {"code": "leg_press", "name": "Leg press", "stack_step": 5.0},
                {"code": "row", "name": "Row", "unit": "lb", "partner_reps": False},
            ],
            "strata": [{"code": "trainer"}, {"code": "sex", "levels": ["female", "male"]}],
            "visits": [
                {"code": "week_12", "name": "Week 12", "day": 84},
                {"code": "baseline", "name": "Baseline", "day": 0, "baseline": True},
            ],
            "outcomes": [
                strength,
                {"kind": "retention", "code": "stays", "name": "Stays", "horizon_day": 170},
            ],
            "allocation": {"method": "permuted blocks", "block_sizes": [2, 4], "strata": ["trainer", "sex"]},
            "planning": {"clients": 44, "trainers": 5, **(planning or {})},
            **changes,
        }
        return Protocol.model_validate(content)

    return make
