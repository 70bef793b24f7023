"""A scenario recorded by the core on this computer, for machines without AVR tools."""

from __future__ import annotations

import numpy as np

from offtake.hostcore.session import CoreSensors, run_core
from offtake.scenario.model import Scenario
from offtake.scenario.receiver import receiver_bursts
from offtake.scenario.run import QUIET_MS, ScenarioRun, scenario_card
from offtake.scenario.world import button_edges_s, pulse_times_s

_BITS_PER_BYTE = 10


def record_with_host_core(scenario: Scenario, image: bytearray) -> ScenarioRun:
    """Record the scenario with the compiled core on the card in ``image``, written in place; power goes at its cut.

    There is no receiver hardware here: no byte can be overrun or misframed, and nothing can touch the tapped line. The
    scenario's button and pulses are there, its voltages and its pressure part are not.
    """
    byte_ns = _BITS_PER_BYTE * 1e9 / scenario.receiver.baud
    bursts = receiver_bursts(scenario)
    times = np.concatenate([b.at_ms * 1e6 + (np.arange(len(b.data)) + 1) * byte_ns for b in bursts])
    data = b"".join(b.data for b in bursts)
    until_ns = int(scenario.cut.at_s * 1e9) if scenario.cut else int(times[-1] + QUIET_MS * 1e6)
    cut = scenario.cut.cut if scenario.cut else None
    sensors = CoreSensors(
        edges_ns=np.round(np.array(button_edges_s(scenario)) * 1e9).astype(np.uint64),
        pulses_ns=np.round(pulse_times_s(scenario) * 1e9).astype(np.uint64),
    )
    run = run_core(image, times.astype(np.uint64), data, scenario_card(scenario), until_ns, cut, sensors)
    return ScenarioRun(
        recorder="the core compiled for this computer",
        sent=data[: run.delivered],
        reached=run.delivered,
        overrun_lost=0,
        framing_errors=0,
        blocks_accepted=run.blocks_accepted,
        blocks_durable=run.blocks_durable,
        power_s=run.end_ns / 1e9,
        in_flight=run.report.in_flight,
        passive=None,
        eeprom=b"",
    )
