"""One folder a question, plain functions: scenario and plan in, result out."""
