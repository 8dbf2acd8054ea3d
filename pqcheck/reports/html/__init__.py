"""The report as one self-contained HTML file; `build.as_html` is the entry."""
