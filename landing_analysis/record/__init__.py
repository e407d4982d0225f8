"""The record: patients, visits, clips and every value ever measured, in one SQLite file.

- One SQLite file (STRICT tables, foreign keys, WAL, full synchronisation). ``user_version``
  numbers the schema; a released step in ``migrations.py`` is never edited, a new one is added,
  and ``tests/edges/test_record.py`` opens a record of every earlier version. All missing steps
  run in one transaction, after a backup. ``integrity_check`` runs at each opening: 0.4 s for 2000
  clips (96 MB).
- `patients`, `clips`, `storing` (an analysis in) and `reading` (analyses out) hold its queries, one
  function per question asked. `by_exercise` parts what was read of a clip that holds several
  exercises, without a query.
- Only documents in the form of ``analysis.json`` go in, so the record knows nothing of the
  stages.
- ``correction`` is only ever added to (``correcting.py``): what a person set, from what, why, by
  which code and when. The latest on each thing counts; reading it into an analysis is pure
  (``landing_analysis/corrections.py``), so that another way in writes the same rows. Whether a
  clip is excluded is asked when values are read, so that no value is ever deleted.
- ``dropped`` and ``work`` are not exported: they describe this machine, not the patients.
- Removing a patient deletes files first and rows last, so that a removal that was stopped can be
  run again; rows are overwritten with zeros (``secure_delete``), backups deleted and one made
  anew. What a solid-state disk keeps below the file system is out of reach.
"""
