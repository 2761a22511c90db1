"""The contract of a driver: it carries images and decides nothing."""

from __future__ import annotations

from typing import Protocol

from controller.signals import Inputs, Outputs


class Driver(Protocol):
    """Carries an input image to the firmware and an output image to the field.

    ``read`` and ``write`` return at once: a driver with a slow line does its talking in a thread of its
    own and hands over the last image. A lost link is no exception but an age that grows; what a driver
    raises ends the program. The I/O behind it must fall to the safe image by itself when nothing has been
    written for 2 s, because a program that is gone can write nothing.
    """

    def read(self) -> Inputs:
        """Input images with their ages, and the commands given since the last call."""

    def write(self, outputs: Outputs) -> None:
        """Drive the outputs with this image."""

    def status(self) -> str:
        """How the line is, in a few words for people; from any thread. Empty where there is none."""

    def close(self) -> None:
        """Let go of the line; the last image written stays until the I/O's own time-out."""
