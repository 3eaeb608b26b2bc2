"""What ``loopodds`` offers, for type checkers and for the door itself: a line for each module."""

# fmt: off
from loopodds.base.errors import (
    FileError as FileError, InspectionError as InspectionError, LoopoddsError as LoopoddsError,
    OutOfRange as OutOfRange, unknown_name as unknown_name,
)
from loopodds.base.files import check_outputs as check_outputs, write_whole as write_whole
from loopodds.base.likeness import meant as meant, nearest as nearest
from loopodds.base.phrases import (
    BITS_PER_DECIBAN as BITS_PER_DECIBAN, UNSAFE_NOTE as UNSAFE_NOTE, amounts_in as amounts_in,
    bits_text as bits_text, chance_word as chance_word,
    evidence_word as evidence_word, lowered as lowered, money as money, percent as percent,
    printable as printable,
    sentence as sentence,
    spaced as spaced,
)
from loopodds.base.spreadsheets import safe_cell as safe_cell
from loopodds.base.units import format_quantity as format_quantity, parse_quantity as parse_quantity
from loopodds.physics.published import (
    FaultEffect as FaultEffect, PublishedTable as PublishedTable, fault_effects as fault_effects,
    published_tables as published_tables,
)
from loopodds.physics.refrigerants import refrigerant as refrigerant
from loopodds.exchange.bif import write_bif as write_bif
from loopodds.knowledge.assembly import build_network as build_network
from loopodds.knowledge.blocks import Levels as Levels
from loopodds.knowledge.nodes import (
    Gauge as Gauge, Graded as Graded, Node as Node, Tabular as Tabular, parents_of as parents_of,
)
from loopodds.knowledge.records import (
    SOUND as SOUND, Knowledge as Knowledge, UnsafeFolder as UnsafeFolder,
)
from loopodds.knowledge.shapes import Grounds as Grounds
from loopodds.inspection.assignments import (
    Value as Value, observation as observation, observations_of as observations_of,
    parse_assignment as parse_assignment,
    parse_outcomes as parse_outcomes,
)
from loopodds.inspection.encoding import encode as encode
from loopodds.inspection.inspection import Inspection as Inspection, batch_of as batch_of
from loopodds.inspection.sections import inspection_from as inspection_from
from loopodds.inspection.vocabulary import (
    names_in as names_in, observable_names as observable_names,
    dimension_of as dimension_of, reading_dimension as reading_dimension,
    usual_units as usual_units, words_of as words_of,
)
from loopodds.diagnosis.belief import (
    Belief as Belief, Weight as Weight, condition_title as condition_title, groups_of as groups_of,
    title_of as title_of, with_state as with_state,
)
from loopodds.diagnosis.diagnose import (
    ALSO_FROM as ALSO_FROM, Against as Against, SETTLED_FROM as SETTLED_FROM,
    SOUND_FROM as SOUND_FROM,
    believe as believe,
)
from loopodds.diagnosis.explanation import Explanation as Explanation, TurningPoint as TurningPoint
from loopodds.diagnosis.model import Model as Model
from loopodds.diagnosis.predictions import (
    Foretold as Foretold, instrument_readings as instrument_readings, predict as predict,
)
from loopodds.diagnosis.simulation import (
    conditions_present as conditions_present, hide_at_random as hide_at_random,
    simulate as simulate,
)
from loopodds.diagnosis.weights import Shares as Shares
from loopodds.diagnosis.what_if import (
    NOTHING as NOTHING, UNKNOWN as UNKNOWN, Change as Change, Scenario as Scenario,
    WhatIf as WhatIf,
)
from loopodds.doubt.intervals import (
    CountNext as CountNext, Doubts as Doubts, Interval as Interval, doubts as doubts,
)
from loopodds.doubt.rewriting import (
    NumberChange as NumberChange, changes_between as changes_between,
)
from loopodds.advice.assessment import (
    Assessment as Assessment, Beware as Beware, assess as assess,
)
from loopodds.decision.branches import Branch as Branch, State as State
from loopodds.advice.proposals import Left as Left, Proposal as Proposal
from loopodds.advice.untold import Untold as Untold
from loopodds.advice.firmness import (
    BreakEven as BreakEven, PlanTurn as PlanTurn,
)
from loopodds.advice.in_range import NextInRange as NextInRange, PlanInRange as PlanInRange
from loopodds.decision.moves import Closed as Closed, Move as Move, Step as Step
from loopodds.decision.next_test import (
    RankedTest as RankedTest, seen_at as seen_at,
)
from loopodds.decision.prices import load_prices as load_prices
from loopodds.decision.connection import Connection as Connection
from loopodds.safety.stops import StopInForce as StopInForce
from loopodds.decision.workshop import ServicePlan as ServicePlan, Workshop as Workshop
from loopodds.casebook.answers import Answer as Answer
from loopodds.casebook.believed import (
    Checked as Checked, Recomputed as Recomputed, check_book as check_book, tests_of as tests_of,
    verify_case as verify_case,
)
from loopodds.casebook.book import CaseBook as CaseBook, Ends as Ends
from loopodds.casebook.chain import (
    Salvaged as Salvaged, Walked as Walked, salvage as salvage, walk as walk,
)
from loopodds.casebook.events import Event as Event
from loopodds.casebook.file import book_path as book_path
from loopodds.casebook.export import (
    case_text as case_text, write_archive as write_archive,
)
from loopodds.casebook.replay import (
    TELLING as TELLING, Agreed as Agreed, CaseError as CaseError, CaseState as CaseState,
    Noted as Noted, described as described, replay as replay, value_text as value_text,
    value_words as value_words,
)
from loopodds.casebook.sources import (
    demo_cases as demo_cases, demo_text as demo_text, read_case as read_case,
)
from loopodds.casebook.work import Casework as Casework
from loopodds.archive.review import Reopen as Reopen
from loopodds.archive.runner import score as score
from loopodds.archive.scoring import (
    read_inspections as read_inspections, score_batch as score_batch,
)
from loopodds.archive.summary import RunProgress as RunProgress, Summary as Summary, Tally as Tally
from loopodds.fleets.running import fleet as fleet
from loopodds.fleets.tables import Fleet as Fleet
from loopodds.fleets.starter import StarterMap as StarterMap, starter_map as starter_map
from loopodds.calibration.scores import (
    adjusted_shares as adjusted_shares, base_rate as base_rate, brier_score as brier_score,
    calibration_curve as calibration_curve, murphy_parts as murphy_parts,
    wilson_interval as wilson_interval,
)
from loopodds.upkeep.held_out import Gain as Gain
from loopodds.upkeep.habits import OwnShare as OwnShare, Tilt as Tilt
from loopodds.upkeep.learning import (
    Learning as Learning, LearnProgress as LearnProgress, learn as learn,
)
from loopodds.upkeep.readers import Looker as Looker
from loopodds.upkeep.selection import Look as Look
from loopodds.exchange.libraries import to_networkx as to_networkx, to_pgmpy as to_pgmpy
from loopodds.upkeep.lint import Size as Size, lint as lint, size_of as size_of
from loopodds.upkeep.sensitivity import Turn as Turn, confirmed_turns as confirmed_turns
from loopodds.upkeep.verification import (
    AGREES_WITHIN as AGREES_WITHIN, Verification as Verification, verify as verify,
)
from loopodds.photo.card import card_pdf as card_pdf, card_svg as card_svg
from loopodds.photo.entering import (
    PhotoRefused as PhotoRefused, enter_photo as enter_photo, photo_of_case as photo_of_case,
    refused_text as refused_text,
)
from loopodds.photo.beside import (
    Shelf as Shelf, glass_named as glass_named, glass_of as glass_of, keep_glass as keep_glass,
)
from loopodds.photo.links import photo_likelihoods as photo_likelihoods
from loopodds.photo.liquids import Glass as Glass
from loopodds.photo.marked import marked_picture as marked_picture
from loopodds.photo.pictures import PictureError as PictureError, open_picture as open_picture
from loopodds.photo.reading import Reading as Reading, read_picture as read_picture
from loopodds.photo.teaching import PhotoLearning as PhotoLearning, learn_photos as learn_photos
from loopodds.calibration.calibrating import (
    Calibration as Calibration, Claim as Claim, calibrate as calibrate,
)
from loopodds.calibration.reliability import Reliability as Reliability, Stretch as Stretch
from loopodds.drift.causes import Explaining as Explaining, Offset as Offset
from loopodds.drift.results import Alarm as Alarm, Moment as Moment, Watch as Watch
from loopodds.drift.watching import WatchProgress as WatchProgress, watch as watch
from loopodds.training.cars import (
    SHOWN_IN as SHOWN_IN, UNREADABLE as UNREADABLE, PracticeCar as PracticeCar,
    practice_cars as practice_cars, shown_words as shown_words,
)
from loopodds.training.debrief import (
    NAMED_FROM as NAMED_FROM, Debrief as Debrief, JudgedStep as JudgedStep, Outcome as Outcome,
    View as View, best_course as best_course, check_stated as check_stated, debriefed as debriefed,
    offered as offered, outcome as outcome,
)
from loopodds.training.decks import Deck as Deck
from loopodds.training.exercise import Done as Done, Exercise as Exercise
from loopodds.report.blank_form import (
    Named as Named, blank_case as blank_case, names_with as names_with,
)
from loopodds.report.figures import (
    MOST_LINES as MOST_LINES, explanation_picture as explanation_picture,
    network_picture as network_picture, scenarios_picture as scenarios_picture,
    twenty_dots as twenty_dots,
)
from loopodds.report.drift_chart import watch_picture as watch_picture
from loopodds.report.gauge_chart import CHARTED as CHARTED, gauges_picture as gauges_picture
from loopodds.report.reliability_chart import reliability_picture as reliability_picture
from loopodds.report.gauge_sheet import (
    GaugeLine as GaugeLine, GaugeSheet as GaugeSheet, gauge_sheet as gauge_sheet,
)
from loopodds.report.worksheets import answer_sheet as answer_sheet, worksheet as worksheet
from loopodds.papers.content import Report as Report, Sender as Sender
from loopodds.papers.wording import (
    Wording as Wording, languages as languages, read_wording as read_wording,
    wording_slips as wording_slips,
)
from loopodds.papers.writing import PARTS as PARTS, report_text as report_text
from loopodds.papers.compare import (
    Comparison as Comparison, compare as compare, state_at as state_at,
    steps_between as steps_between,
)
from loopodds.papers.pack import (
    Packed as Packed, checksum_of as checksum_of, pack_of as pack_of, verify_pack as verify_pack,
)
from loopodds.papers.photos import (
    Photo as Photo, photo_folder as photo_folder, photos_of as photos_of,
)
from loopodds.bay.carried import as_text as as_text, carried as carried
from loopodds.bay.taps import (
    Entry as Entry, Intake as Intake, entries_of as entries_of, unsettled as unsettled,
)

__version__: str
