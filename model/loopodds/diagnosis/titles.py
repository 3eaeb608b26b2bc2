"""What pages and reports call conditions, and the groups in which they show what can be seen."""

from loopodds.base.phrases import sentence, spaced
from loopodds.diagnosis.belief import RankedCondition
from loopodds.knowledge.records import SOUND, Knowledge


def condition_title(name: str, knowledge: Knowledge) -> str:
    """Plain title of a condition, or of ``sound``."""
    return "Nothing wrong" if name == SOUND else knowledge.condition(name).title


def title_of(name: str, knowledge: Knowledge) -> str:
    """The same with a capital; the bare name of what the knowledge does not have any more."""
    known = name == SOUND or name in knowledge.conditions
    return sentence(condition_title(name, knowledge) if known else name)


def with_state(ranked: RankedCondition, knowledge: Knowledge, between: str = ": ") -> str:
    """Title of a condition with its likeliest state, where it has more than one."""
    title = condition_title(ranked.name, knowledge)
    states = knowledge.condition(ranked.name).states
    if len(states) < 2:
        return title
    return f"{title}{between}{spaced(max(states, key=lambda state: ranked.states[state]))}"


def groups_of(knowledge: Knowledge) -> dict[str, list[str]]:
    """Findings and readings under the group they are shown in, in the order of the files."""
    groups: dict[str, list[str]] = {}
    for name, node in knowledge.of_kind("finding", "gauge").items():
        groups.setdefault(node.group, []).append(name)
    return groups
