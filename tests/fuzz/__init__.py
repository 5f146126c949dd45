"""Fuzzing of everything that comes from outside: descriptions, messages, files.

python -m tests.fuzz message --seconds 60 --seed 7
python -m tests.fuzz message --seconds 60 --atheris    # coverage-guided; pip install atheris
"""
