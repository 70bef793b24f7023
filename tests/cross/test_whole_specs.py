"""Any definition that the spec language allows: its C compiles without a warning, and C, Python and the run's own
description agree on every byte and value.

A definition at random has two releases; the later one's fields are missing in frames of the earlier one.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, assume, given, settings
from offtake.codegen.c_names import check_names
from offtake.errors import SpecError
from offtake.spec.load import load_spec, load_with_sources
from whole_spec_c import STRICT, CompileError, compile_c, includes, write_generated
from whole_spec_checks import check_spec
from whole_specs import DrawnSpec, whole_specs

LONG = os.environ.get("OFFTAKE_LONG") == "1"
ROOT = Path(__file__).resolve().parents[2]


@given(whole_specs())
@settings(
    max_examples=300 if LONG else 5,
    phases=[Phase.generate, Phase.shrink] if LONG else [Phase.generate],
    suppress_health_check=list(HealthCheck),
)
def test_whole_specs(drawn: DrawnSpec) -> None:
    with tempfile.TemporaryDirectory() as name:
        drawn.write(Path(name), old=False)
        assume(not takes_a_name_of_the_firmwares(Path(name)))
        check_spec(drawn, Path(name))


def takes_a_name_of_the_firmwares(folder: Path) -> bool:
    try:
        check_names(load_spec(folder), ROOT)
    except SpecError:
        return True
    return False


def test_a_message_that_the_spec_does_not_have_is_a_compile_error_that_names_it(tmp_path: Path) -> None:
    write_generated(load_spec(ROOT / "shared_spec"), tmp_path)
    source = tmp_path / "calls.c"
    text = '#include "ot_spec.h"\n\nvoid measure(void);\nvoid measure(void) {{ {} }}\n'
    good = "ot_message_pulses p = {0, 0}; (void)ot_log_pulses(0, &p);"
    arguments = [*STRICT, *includes(tmp_path, "host"), "-c", source, "-o", tmp_path / "calls.o"]
    source.write_text(text.format(good), encoding="utf-8")
    compile_c(*arguments)
    wrong = {
        "(void)ot_log_nothing(0, 0);": "ot_log_nothing",
        "ot_message_event p = {0, 0}; (void)ot_log_pulses(0, &p);": "ot_message_pulses",
        "(void)ot_log_pulses(0);": "ot_log_pulses",
        "ot_message_loss l = {0, 0}; (void)ot_log_loss(0, &l);": "ot_log_loss",
    }
    for call, names in wrong.items():
        source.write_text(text.format(call), encoding="utf-8")
        with pytest.raises(CompileError, match=names):
            compile_c(*arguments)


TAKEN = {
    "a message, by a function": (
        '[messages.decode]\ncode = 63\ndoc = "x"\nfields = []\n',
        "messages.decode: ot_message_decode in C is also the firmware's",
    ),
    "a message, by a number": (
        '[messages.code_last]\ncode = 63\ndoc = "x"\nfields = []\n',
        "messages.code_last: OT_MESSAGE_CODE_LAST in C is also the spec's numbers",
    ),
    "an enumeration, by the lights": (
        '[enums.light]\ndoc = "x"\ndim = { value = 0, doc = "x" }\n',
        "enums.light: ot_light in C is also board.lights",
    ),
    "a choice, by a message": (
        '[enums.message]\ndoc = "x"\nraw = { value = 0, doc = "x" }\n',
        "enums.message.raw: OT_MESSAGE_RAW in C is also messages.raw",
    ),
    "a flag, by a choice": (
        '[flag_sets.end]\ndoc = "x"\nreason_desk = { bit = 0, doc = "x" }\n',
        "flag_sets.end.reason_desk: OT_END_REASON_DESK in C is also enums.end_reason.desk",
    ),
}


@pytest.mark.parametrize(("text", "says"), TAKEN.values(), ids=TAKEN)
def test_names_that_c_has_already_are_refused(text: str, says: str) -> None:
    whole = (ROOT / "shared_spec/messages.toml").read_text(encoding="utf-8")
    spec = load_with_sources(ROOT / "shared_spec", {"messages.toml": f"{whole}\n{text}"}).spec
    with pytest.raises(SpecError) as caught:
        check_names(spec, ROOT)
    assert says in str(caught.value)
