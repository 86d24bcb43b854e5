"""Mathematics without the shop floor: arrays in, arrays out; numpy and scipy only."""
