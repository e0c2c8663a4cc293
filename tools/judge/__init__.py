"""The judge of the line room: made-up Modbus lines with their truth, and a score for what was heard on them.

Written from the MODBUS Application Protocol Specification V1.1b3 (2012; AP below) and MODBUS over Serial Line V1.02
(2006; SL below) without a look at the code it judges: of that it uses the public columns, rows and chunks alone.
Every line comes from a seed and is the same each time.
"""
