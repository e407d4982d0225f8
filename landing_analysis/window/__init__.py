"""The clinic's window: pages over the record, served to this machine only.

- ``landing-analysis open`` starts one program: it watches the drop folder (`working`) and answers
  a browser on 127.0.0.1 (`running`). Everything it shows is in the record before it is shown,
  so that it may be closed at any moment.
- Who may ask (`guard`): a token of the program's first address is good once and becomes a
  session cookie (HttpOnly, same site only); host and, of everything that writes, origin and a token
  that only our own pages hold are checked. Pages may load nothing from elsewhere.
- Addresses name clips by their content and patients and visits by their row: no code, no date, no
  name stands in an address, and nothing is logged.
- The pages compute no measure: a clip's page draws what `stages.analyse_people` gave, and what is
  set right goes into the record as a correction before the same stages run again (`reanalysis`).
- A correction is answered as soon as the stages ran. Its values are written for all other pages
  afterwards, and who asks next waits for that (`afterwards`); the report follows when the watcher
  comes to the clip, or at once where no file is left to watch for (`again`); pages that commands
  wrote are drawn anew by a process of its own (`rewriting`). While somebody looks at a clip, the
  week's next one is read; documents that take seconds to draw are kept while the record stays the
  same.
- ``templates/window`` render without script wherever they only show; ``static`` holds plain
  JavaScript modules, one for each page that needs one.
"""
