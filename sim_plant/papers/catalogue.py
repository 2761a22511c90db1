"""All papers of a site, in the order in which they are bound."""

from __future__ import annotations

from sim_plant.papers.acceptance import factory_test, site_test
from sim_plant.papers.book import Book
from sim_plant.papers.cause_effect import cause_and_effect
from sim_plant.papers.form import Paper
from sim_plant.papers.handover import hand_over, lock_out, residual_faults
from sim_plant.papers.lists import alarm_list, io_list, setpoint_record
from sim_plant.papers.narrative import control_narrative

_PAPERS = (
    control_narrative,
    io_list,
    cause_and_effect,
    alarm_list,
    setpoint_record,
    factory_test,
    site_test,
    residual_faults,
    lock_out,
)


def all_papers(book: Book) -> list[Paper]:
    """Each paper, made of what the book holds; the hand-over report lists the others."""
    bound = [make(book) for make in _PAPERS]
    return [*bound, hand_over(book, bound)]
