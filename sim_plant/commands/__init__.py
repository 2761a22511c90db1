"""Commands of ``skidproof`` that are large enough for a file of their own, and what all of them share."""
