"""The papers of a site for commissioning and hand-over, printed from the tables that the firmware runs on.

``Book`` is what is known of a site, ``all_papers`` makes the papers of it, ``write_papers`` puts them into a
folder. What a bench has shown comes from an evidence folder (``evidence``, ``proofs``); see decision 41.
"""
