"""Pictures: each defined once as a Vega-Lite document, drawn for page, report, API and command from that.

chart      what a chart is
theme      colours, signs, type: the look of all of them
drawing    a chart as SVG, PNG or PDF
figures, amounts: how figures are said; axes, course, caption, names, placing: what several charts share
overview, strum_lane, window_lane, strum_lines: parts of charts of takes
<name>     one module for each chart: from figures to a chart; nothing is measured here
"""
