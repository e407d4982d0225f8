"""A clinic of invented patients, to see the pages without a patient; all of it is marked so."""
