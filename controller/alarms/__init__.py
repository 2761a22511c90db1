"""Alarms for people: which there are, in what state each is, and who has seen it.

Nothing here stops anything: protections act in the unit and in the bank, and an alarm tells of it.
"""
