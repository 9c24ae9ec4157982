"""The numbers of a vehicle: headline values and occupant risk."""
