"""The report of a session: what a studio hands to a client, as one HTML file or as PDF.

contents      what a report rests on: views that the API shows too, gathered once
baseline      which pickup the others are held against, and why that one
findings, conditions, figures, checks, definitions, appendix
              one part of the report each: from contents to blocks
pictures      which charts it shows
blocks        paragraphs, lists, tables, pictures: what both renderings are made of
document      the parts in their order
html, pdf     the same blocks, rendered; nothing is worded or worked out there
"""
