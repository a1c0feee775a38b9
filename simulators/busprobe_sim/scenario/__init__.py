"""Scenarios: a line, its devices, a site and a hidden truth, from one YAML file."""

from busprobe_sim.scenario.bus import (
    DeviceTruth,
    Hands,
    Scenario,
    SimulatedBus,
    Truth,
    load_scenario,
    open_simulated,
)
from busprobe_sim.scenario.library import ScenarioSummary, list_scenarios, scenario_names

__all__ = [
    "DeviceTruth",
    "Hands",
    "Scenario",
    "ScenarioSummary",
    "SimulatedBus",
    "Truth",
    "list_scenarios",
    "load_scenario",
    "open_simulated",
    "scenario_names",
]
