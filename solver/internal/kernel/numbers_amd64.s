//go:build !purego

#include "textflag.h"

#define NUMBER(name, value) \
	DATA name(SB)/8, value; \
	GLOBL name(SB), RODATA|NOPTR, $8

NUMBER(·minPivot, $1e-12)
NUMBER(·quarter, $0.25)
NUMBER(·half, $0.5)
NUMBER(·one, $1.0)
NUMBER(·threeHalves, $1.5)
NUMBER(·two, $2.0)
NUMBER(·three, $3.0)
NUMBER(·five, $5.0)
