"""Visit every state of the logic: see docs/decisions/0033 for what is abstracted and how that is checked."""
