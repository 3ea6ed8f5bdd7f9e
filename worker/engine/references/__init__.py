"""Readings and what follows from them: the reference colour of a finish, how sure it is, and whether it can be true."""
