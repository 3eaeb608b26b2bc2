"""What ``loopodds`` offers, for type checkers and for the door itself: a line for each module."""

# fmt: off
from loopodds.archive.review import Reopen as Reopen
from loopodds.archive.runner import score as score
from loopodds.archive.scoring import (
    read_inspections as read_inspections,
)
from loopodds.archive.scoring import (
    score_batch as score_batch,
)
from loopodds.archive.summary import RunProgress as RunProgress
from loopodds.archive.summary import Summary as Summary
from loopodds.base.errors import (
    InspectionError as InspectionError,
)
from loopodds.base.errors import (
    LoopoddsError as LoopoddsError,
)
from loopodds.base.errors import (
    OutOfRange as OutOfRange,
)
from loopodds.base.errors import (
    nearest as nearest,
)
from loopodds.base.errors import (
    unknown_name as unknown_name,
)
from loopodds.base.phrases import (
    lowered as lowered,
)
from loopodds.base.phrases import (
    percent as percent,
)
from loopodds.base.phrases import (
    sentence as sentence,
)
from loopodds.base.phrases import (
    spaced as spaced,
)
from loopodds.base.units import format_quantity as format_quantity
from loopodds.base.units import parse_quantity as parse_quantity
from loopodds.casebook.answers import Answer as Answer
from loopodds.casebook.believed import (
    Checked as Checked,
)
from loopodds.casebook.believed import (
    check_book as check_book,
)
from loopodds.casebook.believed import (
    inspection_of as inspection_of,
)
from loopodds.casebook.believed import (
    tests_of as tests_of,
)
from loopodds.casebook.book import CaseBook as CaseBook
from loopodds.casebook.book import Event as Event
from loopodds.casebook.export import (
    case_text as case_text,
)
from loopodds.casebook.export import (
    write_archive as write_archive,
)
from loopodds.casebook.export import (
    write_whole as write_whole,
)
from loopodds.casebook.replay import (
    LASTING as LASTING,
)
from loopodds.casebook.replay import (
    TELLING as TELLING,
)
from loopodds.casebook.replay import (
    CaseError as CaseError,
)
from loopodds.casebook.replay import (
    CaseState as CaseState,
)
from loopodds.casebook.replay import (
    Noted as Noted,
)
from loopodds.casebook.replay import (
    described as described,
)
from loopodds.casebook.replay import (
    replay as replay,
)
from loopodds.casebook.replay import (
    value_text as value_text,
)
from loopodds.casebook.sources import demo_cases as demo_cases
from loopodds.casebook.sources import read_case as read_case
from loopodds.casebook.work import Casework as Casework
from loopodds.decision.assessment import Assessment as Assessment
from loopodds.decision.assessment import assess as assess
from loopodds.decision.branches import Branch as Branch
from loopodds.decision.branches import State as State
from loopodds.decision.firmness import BreakEven as BreakEven
from loopodds.decision.firmness import PlanTurn as PlanTurn
from loopodds.decision.gates import Closed as Closed
from loopodds.decision.gates import Move as Move
from loopodds.decision.next_test import (
    RankedTest as RankedTest,
)
from loopodds.decision.next_test import (
    plan_at as plan_at,
)
from loopodds.decision.next_test import (
    seen_at as seen_at,
)
from loopodds.decision.prices import load_prices as load_prices
from loopodds.decision.workshop import ServicePlan as ServicePlan
from loopodds.decision.workshop import Workshop as Workshop
from loopodds.diagnosis.belief import (
    Belief as Belief,
)
from loopodds.diagnosis.belief import (
    RankedCondition as RankedCondition,
)
from loopodds.diagnosis.belief import (
    Weight as Weight,
)
from loopodds.diagnosis.diagnose import (
    ALSO_FROM as ALSO_FROM,
)
from loopodds.diagnosis.diagnose import (
    SETTLED_FROM as SETTLED_FROM,
)
from loopodds.diagnosis.diagnose import (
    SOUND_FROM as SOUND_FROM,
)
from loopodds.diagnosis.diagnose import (
    believe as believe,
)
from loopodds.diagnosis.diagnose import (
    stated_context as stated_context,
)
from loopodds.diagnosis.explanation import Explanation as Explanation
from loopodds.diagnosis.explanation import TurningPoint as TurningPoint
from loopodds.diagnosis.model import Model as Model
from loopodds.diagnosis.predictions import (
    Foretold as Foretold,
)
from loopodds.diagnosis.predictions import (
    instrument_readings as instrument_readings,
)
from loopodds.diagnosis.predictions import (
    predict as predict,
)
from loopodds.diagnosis.simulation import (
    conditions_present as conditions_present,
)
from loopodds.diagnosis.simulation import (
    hide_at_random as hide_at_random,
)
from loopodds.diagnosis.simulation import (
    simulate as simulate,
)
from loopodds.diagnosis.titles import (
    condition_title as condition_title,
)
from loopodds.diagnosis.titles import (
    groups_of as groups_of,
)
from loopodds.diagnosis.titles import (
    title_of as title_of,
)
from loopodds.diagnosis.titles import (
    with_state as with_state,
)
from loopodds.diagnosis.weights import Shares as Shares
from loopodds.diagnosis.what_if import (
    NOTHING as NOTHING,
)
from loopodds.diagnosis.what_if import (
    UNKNOWN as UNKNOWN,
)
from loopodds.diagnosis.what_if import (
    Change as Change,
)
from loopodds.diagnosis.what_if import (
    Scenario as Scenario,
)
from loopodds.diagnosis.what_if import (
    WhatIf as WhatIf,
)
from loopodds.inference.exchange import to_pgmpy as to_pgmpy
from loopodds.inference.exchange import write_bif as write_bif
from loopodds.inspection.assignments import (
    Value as Value,
)
from loopodds.inspection.assignments import (
    observable_names as observable_names,
)
from loopodds.inspection.assignments import (
    observations_of as observations_of,
)
from loopodds.inspection.assignments import (
    outcomes_of as outcomes_of,
)
from loopodds.inspection.assignments import (
    parse_assignment as parse_assignment,
)
from loopodds.inspection.assignments import (
    parse_outcomes as parse_outcomes,
)
from loopodds.inspection.assignments import (
    printable as printable,
)
from loopodds.inspection.case_file import load_case as load_case
from loopodds.inspection.encoding import encode as encode
from loopodds.inspection.inspection import (
    CHOICES as CHOICES,
)
from loopodds.inspection.inspection import (
    Inspection as Inspection,
)
from loopodds.inspection.inspection import (
    batch_of as batch_of,
)
from loopodds.inspection.inspection import (
    reading_dimension as reading_dimension,
)
from loopodds.inspection.sections import inspection_from as inspection_from
from loopodds.inspection.sections import names_in as names_in
from loopodds.knowledge.arcs import children_of as children_of
from loopodds.knowledge.arcs import parents_of as parents_of
from loopodds.knowledge.assembly import build_network as build_network
from loopodds.knowledge.nodes import (
    Graded as Graded,
)
from loopodds.knowledge.nodes import (
    Grounds as Grounds,
)
from loopodds.knowledge.nodes import (
    Levels as Levels,
)
from loopodds.knowledge.nodes import (
    Node as Node,
)
from loopodds.knowledge.nodes import (
    Shape as Shape,
)
from loopodds.knowledge.nodes import (
    Table as Table,
)
from loopodds.knowledge.parsing import in_context as in_context
from loopodds.knowledge.records import (
    SOUND as SOUND,
)
from loopodds.knowledge.records import (
    Knowledge as Knowledge,
)
from loopodds.knowledge.records import (
    Test as Test,
)
from loopodds.knowledge.records import (
    load_knowledge as load_knowledge,
)
from loopodds.physics.refrigerants import refrigerant as refrigerant
from loopodds.report.content import Report as Report
from loopodds.report.content import report_of as report_of
from loopodds.report.document import to_html as to_html
from loopodds.report.document import to_markdown as to_markdown
from loopodds.report.figures import (
    LINES as LINES,
)
from loopodds.report.figures import (
    Bar as Bar,
)
from loopodds.report.figures import (
    Rows as Rows,
)
from loopodds.report.figures import (
    weights_picture as weights_picture,
)
from loopodds.report.figures import (
    what_if_picture as what_if_picture,
)
from loopodds.report.network_figure import network_picture as network_picture
from loopodds.report.pages import document_of as document_of
from loopodds.training.debrief import (
    Debrief as Debrief,
)
from loopodds.training.debrief import (
    check_stated as check_stated,
)
from loopodds.training.debrief import (
    debriefed as debriefed,
)
from loopodds.training.debrief import (
    squared_error as squared_error,
)
from loopodds.training.decks import Deck as Deck
from loopodds.training.decks import told as told
from loopodds.training.exercise import (
    SHOWN_IN as SHOWN_IN,
)
from loopodds.training.exercise import (
    Done as Done,
)
from loopodds.training.exercise import (
    Exercise as Exercise,
)
from loopodds.training.exercise import (
    PracticeCar as PracticeCar,
)
from loopodds.training.exercise import (
    practice_cars as practice_cars,
)
from loopodds.training.hindsight import (
    JudgedStep as JudgedStep,
)
from loopodds.training.hindsight import (
    Outcome as Outcome,
)
from loopodds.training.hindsight import (
    View as View,
)
from loopodds.training.hindsight import (
    best_course as best_course,
)
from loopodds.training.hindsight import (
    offered as offered,
)
from loopodds.training.hindsight import (
    outcome as outcome,
)
from loopodds.upkeep.calibration import (
    adjusted_shares as adjusted_shares,
)
from loopodds.upkeep.calibration import (
    base_rate as base_rate,
)
from loopodds.upkeep.calibration import (
    brier_score as brier_score,
)
from loopodds.upkeep.calibration import (
    calibration_curve as calibration_curve,
)
from loopodds.upkeep.calibration import (
    murphy_parts as murphy_parts,
)
from loopodds.upkeep.calibration import (
    wilson_interval as wilson_interval,
)
from loopodds.upkeep.lint import lint as lint
from loopodds.upkeep.sensitivity import Turn as Turn
from loopodds.upkeep.sensitivity import confirmed_turns as confirmed_turns

__version__: str
