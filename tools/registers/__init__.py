"""Made-up devices whose registers are known, to judge what is told of them: two generators of two authors."""
