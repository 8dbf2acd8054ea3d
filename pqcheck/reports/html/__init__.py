"""The report as one self-contained HTML file; `page.as_html` is the entry."""
