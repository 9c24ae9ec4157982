"""A camera from known lengths in the plane of motion, for film without a survey."""
