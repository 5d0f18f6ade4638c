"""Allocation: pure methods, the append-only ledger, and its audit."""

from studykit.allocation.acts import Allocation, Amendment, Locked, Receipt
from studykit.allocation.asked import findings_on_design, method_for, method_name_findings, split_plan_for
from studykit.allocation.audit import audit
from studykit.allocation.audit_result import Anchor, AuditResult, Balance, Predictability
from studykit.allocation.bits import RecordedBits, fresh_entropy
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.coins import BiasedCoin, Simple
from studykit.allocation.entries import Entry
from studykit.allocation.foresight import Foresight, foresee
from studykit.allocation.ledger import Ledger
from studykit.allocation.method import AllocationMethod, Draw, draw
from studykit.allocation.methods import method_from
from studykit.allocation.minimisation import Minimisation
from studykit.allocation.places import machine_code, synchronised_folder
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.replay import Replayed, enumerate_replays, replay, strata_as_levels
from studykit.allocation.sealed import SealedList, Slip, make_list, remade_findings
from studykit.allocation.slips import CalledSlip, call_slip, open_slip, publish_list
from studykit.allocation.splits import Candidates, Split, SplitPlan, draw_split, find_candidates
from studykit.allocation.surroundings import Surroundings
from studykit.allocation.together import allocate_trainers, replay_trainers
from studykit.allocation.with_trainer import WithTrainer

__all__ = [
    "REQUIRED_FACTS",
    "Allocation",
    "AllocationMethod",
    "Amendment",
    "Anchor",
    "AuditResult",
    "Balance",
    "BiasedCoin",
    "CalledSlip",
    "Candidates",
    "Draw",
    "Entry",
    "Foresight",
    "Ledger",
    "Locked",
    "Minimisation",
    "PermutedBlocks",
    "Predictability",
    "Receipt",
    "RecordedBits",
    "Replayed",
    "SealedList",
    "Simple",
    "Slip",
    "Split",
    "SplitPlan",
    "Surroundings",
    "WithTrainer",
    "allocate_trainers",
    "audit",
    "call_slip",
    "draw",
    "draw_split",
    "enumerate_replays",
    "find_candidates",
    "findings_on_design",
    "foresee",
    "fresh_entropy",
    "machine_code",
    "make_list",
    "method_for",
    "method_from",
    "method_name_findings",
    "open_slip",
    "publish_list",
    "remade_findings",
    "replay",
    "replay_trainers",
    "split_plan_for",
    "strata_as_levels",
    "synchronised_folder",
]
