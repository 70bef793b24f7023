"""What a definition may not do to what has been released, and what to do instead.

Each rule is a small function that yields places and words; :data:`RULES` gives it its name and its advice. Words
(``doc``) are free, and so is everything that no release has.
"""

from __future__ import annotations

from collections.abc import Mapping

from offtake.spec.evolution_enums import ENUM_RULES
from offtake.spec.evolution_fields import FIELD_RULES
from offtake.spec.evolution_model import Finding, History
from offtake.spec.evolution_records import RECORD_RULES
from offtake.spec.lock_model import Lock
from offtake.spec.model import Spec
from offtake.spec.table import Source

RULES = (*RECORD_RULES, *FIELD_RULES, *ENUM_RULES)


def broken_rules(spec: Spec, lock: Lock | None, sources: Mapping[str, Source]) -> tuple[Finding, ...]:
    """All that ``spec`` may not do since ``lock`` was written; nothing where there is no lock."""
    if lock is None:
        return ()
    history = History(spec, lock, sources)
    return tuple(Finding(rule.name, *_advised(found, rule.advice)) for rule in RULES for found in rule.find(history))


def _advised(found: tuple[str, str] | tuple[str, str, str], advice: str) -> tuple[str, str, str]:
    return found if len(found) == 3 else (*found, advice)
