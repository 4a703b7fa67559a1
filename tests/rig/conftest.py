"""Makes the fakes beside this file importable from every test of the rig."""
