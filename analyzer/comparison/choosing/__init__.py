"""The next setting: wishes, candidates, what each would do, and their order."""
