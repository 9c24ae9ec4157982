"""One camera's film, from pictures to a calibrated, timed set of tracks."""
