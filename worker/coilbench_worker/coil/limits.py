"""What the electrical model leaves out, in plain sentences that go with its answers."""

EDDY = (
    "Eddy currents in covers, cores and plates damp the peak more than resistance and load do; the model has none, so "
    "a real peak is lower and broader."
)
FALLING_INDUCTANCE = (
    "Inductance falls with frequency; the model takes one value, that of the frequency at which it was measured."
)
EVEN_SOURCE = (
    "The response is that of coil and load, for a source that is the same at all frequencies: string, pick, magnet and "
    "place under the string are not in it."
)
CIRCUIT = (EDDY, FALLING_INDUCTANCE, EVEN_SOURCE)
"""Hold for every answer about a circuit."""

NO_COUPLING = "The coils of a pair couple magnetically; unless a coupling is given, the model takes them as apart."
TONE_WITHOUT_CAPACITOR = (
    "No tone capacitor was given: the tone pot is taken as a plain resistor, which holds above a few hundred hertz "
    "with the control well up."
)
DRAWN_WIRE = (
    "Wire is stretched and thins while it is wound, and turns lie unevenly: resistance and depth of a real coil "
    "scatter beyond the wire's own tolerance."
)
WINDING = (DRAWN_WIRE,)
"""Hold for every answer about a winding."""
BUILD = (
    "Insulation build and packing are common practice, no source; depth, layers and mean turn length of a bobbin rest "
    "on them."
)
EVERY_TURN_ALIKE = (
    "Twice the turns give twice the voltage only if every turn catches as much as before; outer turns lie farther from "
    "the poles and catch less."
)
CAPACITANCE_OF_TURNS = (
    "Own capacitance is taken to grow in proportion to the mean turn length: common practice, no source."
)
TURNS = (EVERY_TURN_ALIKE, CAPACITANCE_OF_TURNS)
"""Hold for what other turns would do."""
