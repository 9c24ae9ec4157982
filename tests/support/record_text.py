"""The shortest record that is one: a car with one mark, seen by one camera."""

RECORD_TEXT = """
schema = 1
[test]
number = "{number}"
[vehicles.car]
cg = ["0 m", "0 m", "-0.5 m"]
[vehicles.car.markers]
roof = {{ at = ["0 m", "0 m", "-1.4 m"], pattern = "disc", size = "0.2 m" }}
[cameras.side]
film = "side.mp4"
[cameras.side.picks]
"car.roof" = {{ pixel = [10, 10], frame = 0 }}
"""
