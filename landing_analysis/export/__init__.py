"""What other programs take over: tidy tables with their dictionary, and a visit as FHIR R4.

``record tables`` and ``record fhir`` (package ``export``) hand on what ``record export`` does
not suit: the export is for bringing the record back, these are for people who know nothing of it.

- Every column of every table is described in ``export/columns.py`` and nowhere else; measures
  come from ``definitions.py`` (with ``SIGNS``). Files, Parquet types, field metadata and both
  dictionaries go by it, and tests fail for a column without an entry, an entry without a column,
  a name whose ending contradicts its unit, and a measure that turns negative without a sign
  convention.
- Only columns named there come out, so no file name, path or reason that holds one does; a test
  stores a clip under a person's name and looks for it.
- Roles (``surgical``, ``non-surgical``) go by what is known of the patient now;
  ``surgical_side_then`` keeps what the analysis went by. A clip that was analysed again counts
  once unless asked otherwise.
- The record does not keep why limbs were not compared; times within one frame are the only cause
  so far, and ``rows.side_rows`` says it again.
- Each key of ``analysis.json`` has a description in ``data/analysis.schema.json``; a test finds
  one that has none on the analyses of the sample clips.
- One patient is in memory at a time. 276 clips (40 496 measures): CSV 22 MB, 2.0 s of CPU;
  Parquet 1.2 MB, 1.6 s. A Bundle of eight sets: 166 resources, 0.6 MB, 0.2 s.
- The Bundle is a ``collection``, statuses are ``preliminary``, single reps and findings stay in
  the tables; ``export/bundle.py`` gives the reasons. Two checks run in the tests: the classes
  of fhirclient, and HL7's own JSON schema of R4, cut to four resources
  (``tests/published/data/cut_fhir_schema.py``); the whole schema accepted Bundles of the
  demonstration as well. They know types, cardinalities, required value sets and the form of dates
  and codes. Not checked by either: invariants, preferred value sets and UCUM, which stand in the
  test from memory; the parser ucumvert 0.3.2 read each unit. No FHIR server was at hand.
- Measures have codes of our own: no LOINC code was sure to mean the same. Sides of the body are
  text beside a code of our own, because SNOMED CT needs a licence in places.
  ``urn:landing-analysis:...`` is not a registered namespace; R4 asks only for a URI.
- Names of resources are derived from the clip's sha256, the limb and the measure, so that a later
  analysis replaces an earlier one where a server goes by them.
"""
