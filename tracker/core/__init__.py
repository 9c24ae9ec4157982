"""Types, units and kinematics that every room shares; imports no other room."""
