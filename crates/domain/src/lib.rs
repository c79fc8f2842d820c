//! The words of settlepoint as types: machines, settings, runs, channels, estimates.
