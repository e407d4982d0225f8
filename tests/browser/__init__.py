"""Pages in a real browser, at three widths and on paper."""
