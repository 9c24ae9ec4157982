"""A lens from pictures of a board: chessboard or ChArUco."""
