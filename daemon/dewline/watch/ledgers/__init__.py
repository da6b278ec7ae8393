"""What happened at a box, one closed row each: transfers, isolations, regenerations and so on."""
