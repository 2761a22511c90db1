"""All papers of a site, in the order in which they are bound."""

from __future__ import annotations

from sim_plant.papers.book import Book
from sim_plant.papers.cause_effect import cause_and_effect
from sim_plant.papers.form import Paper


def all_papers(book: Book) -> list[Paper]:
    """Each paper, made of what the book holds."""
    return [cause_and_effect(book)]
