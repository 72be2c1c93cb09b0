#include "textflag.h"

// DOTROWS adds Y8 times the rows in Y10-Y13 to Y0-Y3, and Y9 times them to Y4-Y7.
#define DOTROWS \
	VFMADD231PD Y10, Y8, Y0 \
	VFMADD231PD Y11, Y8, Y1 \
	VFMADD231PD Y12, Y8, Y2 \
	VFMADD231PD Y13, Y8, Y3 \
	VFMADD231PD Y10, Y9, Y4 \
	VFMADD231PD Y11, Y9, Y5 \
	VFMADD231PD Y12, Y9, Y6 \
	VFMADD231PD Y13, Y9, Y7

// ADDROW adds the row in x to Y8, times a coefficient: its real parts in re, its
// signed imaginary parts in im.
#define ADDROW(x, re, im) \
	VPERMILPD $5, x, Y10 \
	VFMADD231PD x, re, Y8 \
	VFMADD231PD Y10, im, Y8

// func dot4AVX(a, b *complex128, stride, n int, out *[4]complex128)
//
// Y0-Y3 gather a * b, Y4-Y7 a with its parts swapped times b, for four rows.
TEXT ·dot4AVX(SB), NOSPLIT, $0-40
	MOVQ   a+0(FP), SI
	MOVQ   b+8(FP), R8
	MOVQ   stride+16(FP), BX
	MOVQ   n+24(FP), CX
	MOVQ   out+32(FP), DI
	SHLQ   $4, BX
	LEAQ   (R8)(BX*1), R9
	LEAQ   (R9)(BX*1), R10
	LEAQ   (R10)(BX*1), R11
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	VXORPD Y4, Y4, Y4
	VXORPD Y5, Y5, Y5
	VXORPD Y6, Y6, Y6
	VXORPD Y7, Y7, Y7
	XORQ   AX, AX
	MOVQ   CX, DX
	SHRQ   $1, DX
	JZ     odd

pair:
	VMOVUPD     (SI)(AX*1), Y8
	VPERMILPD   $5, Y8, Y9
	VMOVUPD     (R8)(AX*1), Y10
	VMOVUPD     (R9)(AX*1), Y11
	VMOVUPD     (R10)(AX*1), Y12
	VMOVUPD     (R11)(AX*1), Y13
	DOTROWS
	ADDQ        $32, AX
	DECQ        DX
	JNZ         pair

odd:
	TESTQ       $1, CX
	JZ          reduce
	VMOVUPD     (SI)(AX*1), X8 // the upper half becomes zero
	VPERMILPD   $5, Y8, Y9
	VMOVUPD     (R8)(AX*1), X10
	VMOVUPD     (R9)(AX*1), X11
	VMOVUPD     (R10)(AX*1), X12
	VMOVUPD     (R11)(AX*1), X13
	DOTROWS

reduce:
	VHADDPD      Y1, Y0, Y0   // rows 0, 1
	VHADDPD      Y3, Y2, Y2   // rows 2, 3
	VHSUBPD      Y5, Y4, Y4
	VHSUBPD      Y7, Y6, Y6
	VEXTRACTF128 $1, Y0, X1
	VEXTRACTF128 $1, Y2, X3
	VEXTRACTF128 $1, Y4, X5
	VEXTRACTF128 $1, Y6, X7
	VADDPD       X1, X0, X0   // real parts of rows 0, 1
	VADDPD       X3, X2, X2
	VADDPD       X5, X4, X4   // imaginary parts, negated
	VADDPD       X7, X6, X6
	VXORPD       X8, X8, X8
	VSUBPD       X4, X8, X4
	VSUBPD       X6, X8, X6
	VUNPCKLPD    X4, X0, X9
	VUNPCKHPD    X4, X0, X10
	VUNPCKLPD    X6, X2, X11
	VUNPCKHPD    X6, X2, X12
	VMOVUPD      X9, (DI)
	VMOVUPD      X10, 16(DI)
	VMOVUPD      X11, 32(DI)
	VMOVUPD      X12, 48(DI)
	VZEROUPPER
	RET

// func axpy4AVX(y, x *complex128, stride, n int, c *[4]complex128)
//
// Y0-Y3 hold the real parts of c, Y4-Y7 -imag, imag, -imag, imag.
TEXT ·axpy4AVX(SB), NOSPLIT, $0-40
	MOVQ         y+0(FP), SI
	MOVQ         x+8(FP), R8
	MOVQ         stride+16(FP), BX
	MOVQ         n+24(FP), CX
	MOVQ         c+32(FP), DI
	SHLQ         $4, BX
	LEAQ         (R8)(BX*1), R9
	LEAQ         (R9)(BX*1), R10
	LEAQ         (R10)(BX*1), R11
	VXORPD       Y8, Y8, Y8
	VBROADCASTSD (DI), Y0
	VBROADCASTSD 8(DI), Y4
	VBROADCASTSD 16(DI), Y1
	VBROADCASTSD 24(DI), Y5
	VBROADCASTSD 32(DI), Y2
	VBROADCASTSD 40(DI), Y6
	VBROADCASTSD 48(DI), Y3
	VBROADCASTSD 56(DI), Y7
	VADDSUBPD    Y4, Y8, Y4
	VADDSUBPD    Y5, Y8, Y5
	VADDSUBPD    Y6, Y8, Y6
	VADDSUBPD    Y7, Y8, Y7
	XORQ         AX, AX
	MOVQ         CX, DX
	SHRQ         $1, DX
	JZ           odd

pair:
	VMOVUPD (SI)(AX*1), Y8
	VMOVUPD (R8)(AX*1), Y9
	ADDROW(Y9, Y0, Y4)
	VMOVUPD (R9)(AX*1), Y11
	ADDROW(Y11, Y1, Y5)
	VMOVUPD (R10)(AX*1), Y12
	ADDROW(Y12, Y2, Y6)
	VMOVUPD (R11)(AX*1), Y13
	ADDROW(Y13, Y3, Y7)
	VMOVUPD Y8, (SI)(AX*1)
	ADDQ    $32, AX
	DECQ    DX
	JNZ     pair

odd:
	TESTQ   $1, CX
	JZ      done
	VMOVUPD (SI)(AX*1), X8 // the upper halves become zero
	VMOVUPD (R8)(AX*1), X9
	ADDROW(Y9, Y0, Y4)
	VMOVUPD (R9)(AX*1), X11
	ADDROW(Y11, Y1, Y5)
	VMOVUPD (R10)(AX*1), X12
	ADDROW(Y12, Y2, Y6)
	VMOVUPD (R11)(AX*1), X13
	ADDROW(Y13, Y3, Y7)
	VMOVUPD X8, (SI)(AX*1)

done:
	VZEROUPPER
	RET
