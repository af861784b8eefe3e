"""The electrical side of a pickup: wire, winding, circuit and load. Pure: numbers in, frozen results out."""
