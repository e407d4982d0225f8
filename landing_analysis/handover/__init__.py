"""What other programs take over: tidy tables with their dictionary, and a visit as FHIR R4."""
