"""A scenario: an invented receiver, card and power cut, read from TOML and run on the bench."""

from offtake.scenario.load import load_scenario
from offtake.scenario.model import Scenario
from offtake.scenario.receiver import Burst, receiver_bursts
from offtake.scenario.run import ScenarioRun, make_scenario_card, run_scenario

__all__ = [
    "Burst",
    "Scenario",
    "ScenarioRun",
    "load_scenario",
    "make_scenario_card",
    "receiver_bursts",
    "run_scenario",
]
