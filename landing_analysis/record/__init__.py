"""The record: patients, visits, clips and every value ever measured, in one SQLite file."""
