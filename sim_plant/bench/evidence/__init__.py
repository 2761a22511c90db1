"""The evidence of a proof: records, pictures, report and machine-readable verdicts in one folder."""

from sim_plant.bench.evidence.cautions import CAUTIONS
from sim_plant.bench.evidence.folder import EvidenceFolder, keep_run
from sim_plant.bench.evidence.picture import draw_run
from sim_plant.bench.evidence.records import read_record, read_run, write_record
from sim_plant.bench.evidence.summary import (
    About,
    OnLine,
    RequirementSummary,
    RequirementText,
    headline,
    summarise,
)

__all__ = [
    "CAUTIONS",
    "About",
    "EvidenceFolder",
    "OnLine",
    "RequirementSummary",
    "RequirementText",
    "draw_run",
    "headline",
    "keep_run",
    "read_record",
    "read_run",
    "summarise",
    "write_record",
]
