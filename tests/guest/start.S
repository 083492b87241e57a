/* Entry, the interrupt vector and the one place where interrupts are on. */

#define START_STATUS 0x20008000 /* CU1: coprocessor 1 on; IM7: the timer; all else off */

    .set noreorder
    .section .start, "ax"
    .globl start
    .ent start
start:
    li $t0, START_STATUS
    mtc0 $t0, $12
    mtc0 $zero, $13
    ehb
    ctc1 $zero, $31
    la $sp, stack_top
    la $t0, bss_start
    la $t1, bss_end
1:  beq $t0, $t1, 2f
    nop
    sw $zero, 0($t0)
    b 1b
    addiu $t0, $t0, 4
2:  la $t0, version
    la $t1, version_text
    addiu $t2, $t1, 16
3:  lw $t3, 0($t1)
    addiu $t1, $t1, 4
    sw $t3, 0($t0)
    bne $t1, $t2, 3b
    addiu $t0, $t0, 4
    la $t0, game_run
    jr $t0
    nop
    .end start

    .section .text.wait_for_timer, "ax"
    .globl wait_for_timer
    .ent wait_for_timer
wait_for_timer:
    ei
    ehb
    wait
timer_came:
    di
    ehb
    jr $ra
    nop
    .end wait_for_timer

/* The timer always resumes at timer_came, so one that comes just before `wait` is not lost.
 * Anything else is a fault of the game: it is noted, and the game stands still. */
    .section .vector, "ax"
    .globl vector
vector:
    mfc0 $k0, $13
    andi $k1, $k0, 0x7C
    bnez $k1, 4f
    nop
    mfc0 $k1, $11
    mtc0 $k1, $11
    la $k0, timer_came
    mtc0 $k0, $14
    ehb
    eret
4:  la $k1, fault
    sw $k0, 0($k1)
5:  b 5b
    nop

    .section .rodata
    .balign 4
version_text:
    .ascii TIDE_VERSION
    .org version_text + 16, 0
