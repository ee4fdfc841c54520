"""The pages: short scripts that read the choices, ask one question and draw."""
