"""Pure array functions of the trade: Darcy fills, resin, vacuum, clamp. Imports nothing of ours."""
