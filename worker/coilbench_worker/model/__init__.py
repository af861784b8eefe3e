"""A physical model of strummed strings over a pickup, whose truth is known; and an invented shop that records with it.

Pure: numpy and nothing else of ours. Everything is drawn from seeds, so the same plan gives the same samples.

    strings  -> what six (or eight) strings do after a pick leaves them: modes with frequency, decay and amplitude
    coil     -> the electrical side: the second-order response of coil, cable and load
    pickup   -> where the coils sit, how wide they look, what they give; a preamp where there is a battery
    winding  -> what turns, wire, build, magnet and plate make of a pickup
    strum    -> which strings, when, how hard, which direction, how they are damped
    chain    -> gain, hum, hiss, offset, crackling cable, clipping
    take     -> all of it together: samples and Truth
    shop     -> twelve invented pickups, one session, one take spoiled on purpose
"""
