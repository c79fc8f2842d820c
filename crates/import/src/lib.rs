//! Delimited sensor logs of any shape to channels with units, every row accounted for.
