"""The electrical side of a pickup: wire, winding, the circuit of coil and load. Pure: numbers in, frozen results out."""
