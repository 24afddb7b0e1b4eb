"""Loops over arrays in machine code: compiled once, kept, and called without the compiler."""
