"""A report in the formats of others: tables (CSV), motion files (C3D) and health records (HL7 FHIR R4)."""

from analysis.exports.fhir import bundle, write_fhir
from analysis.exports.motion import c3d_library, write_c3d
from analysis.exports.tables import write_csv

__all__ = ["bundle", "c3d_library", "write_c3d", "write_csv", "write_fhir"]
