/* The counter board's chip, run cycle by cycle: pins driven from a file, what it sends written down.
 *
 *   board_chip FIRMWARE.elf WAVEFORM EEPROM END_CYCLE > sent
 *
 * WAVEFORM: lines "cycle port pin level" (rising cycles), or "cycle > byte" for a byte sent to the chip.
 * EEPROM: 1024 bytes, read if there and written at the end. On standard output: lines "sent cycle byte" for what it
 * sent, "request cycle pin level" for its request lines, at the end "longest VECTOR CYCLES" for every interrupt that
 * ran, from its start to its return.
 */
#include <avr_eeprom.h>
#include <avr_ioport.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>
#include <sim_interrupts.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define VECTORS 26

static avr_t *avr;
static unsigned long long longest[VECTORS + 1], began[VECTORS + 1];

static void sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    printf("sent %llu %u\n", (unsigned long long)avr->cycle, value & 0xff);
}

static void requested(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    printf("request %llu %d %u\n", (unsigned long long)avr->cycle, (int)(long)param, value & 1);
}

static void ran(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    long vector = (long)param;
    if (value) {
        began[vector] = avr->cycle;
    } else if (began[vector]) {
        if (avr->cycle - began[vector] > longest[vector])
            longest[vector] = avr->cycle - began[vector];
        began[vector] = 0;
    }
}

static void fail(const char *what)
{
    fprintf(stderr, "board_chip: %s\n", what);
    exit(2);
}

static void eeprom(const char *name, int write)
{
    uint8_t bytes[1024];
    memset(bytes, 0xff, sizeof bytes);
    avr_eeprom_desc_t part = {.ee = bytes, .offset = 0, .size = sizeof bytes};
    FILE *file = fopen(name, write ? "wb" : "rb");
    if (!file) {
        if (write)
            fail("cannot write the EEPROM file");
        return;
    }
    if (write) {
        avr_ioctl(avr, AVR_IOCTL_EEPROM_GET, &part);
        /* some versions point at their own memory instead of filling ours */
        fwrite(part.ee, 1, sizeof bytes, file);
    } else if (fread(bytes, 1, sizeof bytes, file) == sizeof bytes) {
        avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &part);
    }
    fclose(file);
}

int main(int argc, char **argv)
{
    if (argc != 5)
        fail("firmware, waveform, EEPROM and last cycle are wanted");
    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(argv[1], &firmware))
        fail("cannot read the firmware");
    if (!(avr = avr_make_mcu_by_name("atmega328p")) || avr_init(avr))
        fail("no such chip");
    avr_load_firmware(avr, &firmware);
    avr->frequency = 16000000;
    eeprom(argv[3], 0);
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent, NULL);
    for (long pin = 4; pin < 6; pin++)
        avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), (int)pin), requested, (void *)pin);
    for (long vector = 1; vector < VECTORS; vector++) {
        avr_irq_t *irq = avr_get_interrupt_irq(avr, (uint8_t)vector);
        if (irq)
            avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, ran, (void *)vector);
    }

    /* the encoder's lines hold their inputs low against the chip's own pull-ups; the gauges' are pulled up */
    avr_ioport_external_t held = {.name = 'B', .mask = 7, .value = 0};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('B'), &held);
    for (int pin = 0; pin < 4; pin++)
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), pin), 1);
    FILE *waveform = fopen(argv[2], "r");
    if (!waveform)
        fail("cannot read the waveform");
    unsigned long long end = strtoull(argv[4], NULL, 10), due = 0;
    char port = 0;
    int pin = 0, level = 0, more = 1, pending = 0;
    while (avr->cycle < end) {
        while (more) {
            if (!pending) {
                more = fscanf(waveform, "%llu %c", &due, &port) == 2 &&
                       (port == '>' ? fscanf(waveform, "%d", &level) == 1
                                    : fscanf(waveform, "%d %d", &pin, &level) == 2);
                pending = more;
            }
            if (!pending || due > avr->cycle)
                break;
            pending = 0;
            avr_raise_irq(port == '>' ? avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT)
                                      : avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin),
                          (uint32_t)level);
        }
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed)
            fail("the chip crashed");
    }
    for (int vector = 1; vector < VECTORS; vector++)
        if (longest[vector])
            printf("longest %d %llu\n", vector, longest[vector]);
    eeprom(argv[3], 1);
    return 0;
}
