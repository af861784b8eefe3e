"""Pictures: each defined once as a Vega-Lite document, drawn for page, report, API and command from that.

chart      what a chart is
theme      colours, signs, type: the look of all of them
drawing    a chart as SVG, PNG or PDF
<name>     one module for each chart: from figures to a chart; nothing is measured here
"""
