"""The drop folder: what lies in it, whose it is, what is to be done, and doing it.

- A clip is its sha256. What must survive is written before it counts: the report is made in
  ``reports/.work/<sha256>``, renamed into place, and then one transaction stores the values and
  calls the clip done. A kill in between costs the clip in hand, which is analysed again.
- A claim is a row with the worker's name; whether the worker lives is told by a file lock, so a
  restart never waits for a time-out. Work that nobody living holds goes back to waiting.
- A claim knows the latest correction of its clip. One that comes while the clip is analysed lets it
  wait again afterwards, whoever has it in hand (``again.py`` is the command's own way in).
- A clip is read and analysed in a child that ends when its parent does (end of its standard
  input). An error of ours means the clip needs attention; a crash is retried three times; a full
  disk costs no attempt.

Killed thirteen times at random while it analysed the four sample clips (seconds 1 to 30 of each
run), its children were gone within 3.3 s, nothing was lost or stored twice; the tests repeat that
with a stand-in at forty random and eleven chosen moments.
"""
