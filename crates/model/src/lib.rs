//! Five small physical models of a cooled package and the closed-loop simulator.
