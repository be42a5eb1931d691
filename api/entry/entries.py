"""Entries of the web API turned into engines, cards and jobs, or refused, or asked about."""

from __future__ import annotations

from analysis.base import from_plain, to_plain
from analysis.timing import Cam, CamCard, Engine, Job
from api.base import CardEntry, EngineEntry, JobEntry, Question, QuestionedError, with_service_errors
from api.entry.questions import (
    card_questions,
    engine_questions,
    job_questions,
    refuse_impossible_card,
    refuse_impossible_engine,
    refuse_impossible_job,
)
from api.entry.values import EntryValues

LAYOUTS: dict[str, tuple[Cam, ...]] = {
    "single cam": (Cam("camshaft", ("inlet", "exhaust")),),
    "twin cam": (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",))),
}


@with_service_errors
def engine_of(entry: EngineEntry) -> Engine:
    """Give the engine of an entry; raises `MisuseError` or `QuestionedError`."""
    fields = EntryValues().read(entry.engine)
    if entry.layout is not None and "cams" not in fields:
        fields["cams"] = [to_plain(cam) for cam in LAYOUTS[entry.layout]]
    engine = from_plain(Engine, fields)
    refuse_impossible_engine(engine)
    _ask(engine_questions(engine), entry.confirmed)
    return engine


@with_service_errors
def card_of(entry: CardEntry) -> CamCard:
    """Give the card of an entry; raises `MisuseError` or `QuestionedError`."""
    values = EntryValues(entry.unit)
    card = from_plain(CamCard, values.read(entry.card))
    refuse_impossible_card(card)
    _ask(card_questions(card, values.written), entry.confirmed)
    return card


@with_service_errors
def job_of(entry: JobEntry, engine: Engine, card: CamCard) -> Job:
    """Give the job of an entry; raises `MisuseError` or `QuestionedError`."""
    job = Job(
        reference=entry.reference,
        engine=engine,
        card=card,
        customer=entry.customer,
        builder=entry.builder,
        tolerance_deg=entry.tolerance_deg,
        cylinders_wanted=tuple(entry.cylinders_wanted),
        single_cam_aim=entry.single_cam_aim,
        plunger_on=entry.plunger_on,
        shop_inlet_to_piston_mm=entry.shop_inlet_to_piston_mm,
        shop_exhaust_to_piston_mm=entry.shop_exhaust_to_piston_mm,
        shop_valve_to_valve_mm=entry.shop_valve_to_valve_mm,
        new_cam=entry.new_cam,
        note=entry.note,
    )
    refuse_impossible_job(job)
    _ask(job_questions(job), entry.confirmed)
    return job


def _ask(questions: list[Question], confirmed: list[str]) -> None:
    left = [question for question in questions if question.code not in confirmed]
    if left:
        raise QuestionedError(left)
