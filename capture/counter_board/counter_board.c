/* Counter board: a crank encoder and two clock-and-data gauges, told in lines of one clock.
 *
 * For the common 16 MHz ATmega328P board. Wiring, parts, commands and lines: WIRING.txt beside this file.
 *
 * A line is   tag value space microseconds space check LF   where the check is the CRC-8 (polynomial 0x07)
 * of everything before it, in two hexadecimal digits. Interrupts only gather; the main loop does the rest, so
 * that no interrupt is longer than what passes between two edges.
 */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>
#include <util/atomic.h>
#include <util/crc16.h>

#define VERSION 1
#define BAUD_DIVISOR 7                      /* 250,000 baud exactly, with U2X at 16 MHz */
#define US(t) ((uint16_t)((t) * 2))         /* the timer runs at 0.5 us */
#define LINE_EVERY US(4000)                 /* 250 lines a second while the crank turns */
#define QUIET_LINES 25                      /* one in 25 of them when it stands */
#define TURNING_LINES 50                    /* "turning" lasts 0.2 s beyond the last count */
#define EDGES_A_MILLISECOND 100             /* more than that and the count is no longer trusted */
#define PACKET_END US(2500)                 /* a pause that ends a gauge's packet */
#define ASK_EVERY_LINES 12                  /* an asked gauge: about 20 times a second */
#define MUTE_LINES 500                      /* 2 s without a packet from a gauge that is set up */
#define PACKET_BYTES 8

enum kind { OFF = 0, ONE_GROUP = 1, TWO_GROUPS = 2, BCD = 3, LAST_KIND = 3 };

struct input {                              /* settings of one gauge input, as kept in the EEPROM */
    uint8_t kind;
    uint8_t rising;                         /* data are read at the rising edge of the clock */
    uint8_t inverted;                       /* data are upside down */
    uint8_t asked;                          /* speaks when the request line is raised */
};
struct settings {
    uint8_t mark;                           /* VERSION where the EEPROM has been written */
    uint8_t backward;
    struct input input[2];
    uint8_t check;
};
struct packet {                             /* filled by the clock's interrupt */
    volatile uint8_t bits;
    volatile uint16_t first, last;          /* timer at the first and at the latest clock */
    uint8_t data[PACKET_BYTES];             /* first bit received is bit 0 of byte 0 */
};

static struct settings settings, EEMEM kept;
static struct packet packet[2];
static volatile int16_t steps;
static volatile uint16_t illegal;
static volatile uint8_t budget = EDGES_A_MILLISECOND, too_fast;
static volatile uint8_t index_seen;
static volatile int16_t index_steps;
static volatile uint16_t index_time;
static uint8_t seen_bits[2];                /* of the packet that the main loop has begun to look at */
static uint8_t clock_pins, clock_edges, data_levels; /* what the clock's interrupt needs of the settings */

/* ---- the encoder: PB0 and PB1 are the phases, PB2 the index --------------------------------------------- */

/* by (before << 2 | now) of the two phases; 2 means that both changed at once, which no encoder does */
static const int8_t step_of[16] = {0, 1, -1, 2, -1, 0, 2, 1, 1, 2, 0, -1, 2, -1, 1, 0};

ISR(PCINT0_vect)
{
    uint8_t pins = PINB, before = GPIOR0;
    int8_t step = step_of[(before & 0x0c) | (pins & 3)];
    GPIOR0 = (uint8_t)((pins & 7) << 2);
    if (step == 2)
        illegal++;
    else
        steps += step;
    if (pins & (uint8_t)~(before >> 2) & 4) {
        index_steps = steps;
        index_time = TCNT1;
        index_seen = 1;
    }
    if (--budget == 0) {                    /* a flood would leave no time for anything else */
        PCICR &= (uint8_t)~_BV(PCIE0);
        too_fast = 1;
    }
}

/* ---- the gauges: PC0 and PC2 are clocks, PC1 and PC3 data, PC4 and PC5 requests ------------------------- */

static inline void take_bit(struct packet *p, uint8_t level)
{
    uint8_t bit = p->bits;
    uint16_t now = TCNT1;
    if (bit == 0)
        p->first = now;
    p->last = now;
    if (bit < PACKET_BYTES * 8) {
        uint8_t *byte = &p->data[bit >> 3];
        *byte >>= 1;
        if (level)
            *byte |= 0x80;
        p->bits = bit + 1;
    }
}

ISR(PCINT1_vect)
{
    uint8_t pins = PINC, changed = (pins ^ GPIOR1) & clock_pins;
    GPIOR1 = pins;
    changed &= (uint8_t)~(pins ^ clock_edges);  /* only the edge that ends at the level looked for */
    pins ^= data_levels;
    if (changed & _BV(PC0))
        take_bit(&packet[0], pins & _BV(PC1));
    if (changed & _BV(PC2))
        take_bit(&packet[1], pins & _BV(PC3));
}

/* ---- lines out, commands in ------------------------------------------------------------------------------ */

static uint8_t out[256], out_end, heard[24], heard_length;
static volatile uint8_t out_begin;
static uint8_t crc;

ISR(USART_UDRE_vect)
{
    uint8_t at = out_begin;
    UDR0 = out[at];
    out_begin = ++at;
    if (at == out_end)
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
}

static uint32_t micros;                     /* wraps at 2^32, after 71 minutes */
static uint16_t timer_seen;
static int32_t count;
static uint16_t budget_time;

static uint16_t timer_now(void)
{
    uint16_t now;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { now = TCNT1; } /* its high byte passes through a shared register */
    return now;
}

/* Carry the clock on; called far oftener than the timer wraps (32 ms). */
static void keep_time(void)
{
    uint16_t gone = timer_now() - timer_seen;
    micros += gone >> 1;
    timer_seen += gone & 0xfffe;
    if ((uint16_t)(timer_seen - budget_time) >= US(1000)) {
        budget_time = timer_seen;
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            budget = EDGES_A_MILLISECOND;
            if (!(PCICR & _BV(PCIE0))) {
                GPIOR0 = (uint8_t)((PINB & 7) << 2);
                PCIFR = _BV(PCIF0);
                PCICR |= _BV(PCIE0);
            }
        }
    }
}

static uint32_t micros_at(uint16_t timer)
{
    return micros - (uint16_t)((uint16_t)(timer_seen - timer) >> 1);
}

static void put_raw(uint8_t byte)
{
    while ((uint8_t)(out_end + 1) == out_begin)
        keep_time();
    out[out_end] = byte;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        out_end++;
        UCSR0B |= _BV(UDRIE0);
    }
}

static void put(uint8_t byte)
{
    crc = _crc8_ccitt_update(crc, byte);
    put_raw(byte);
}

static void put_words(const char *words)
{
    while (*words)
        put((uint8_t)*words++);
}

/* Decimal by subtraction: a division would take five times as long. */
static void put_number(uint32_t number, uint8_t least_digits, uint8_t decimals)
{
    static const uint32_t powers[10] = {1000000000, 100000000, 10000000, 1000000, 100000,
                                        10000,      1000,      100,      10,      1};
    bool begun = false;
    for (uint8_t place = 0; place < 10; place++) {
        uint8_t digit = '0', left = 10 - place;
        while (number >= powers[place]) {
            number -= powers[place];
            digit++;
        }
        begun = begun || digit != '0' || left <= least_digits;
        if (decimals && left == decimals)
            put('.');
        if (begun)
            put(digit);
    }
}

static void put_signed(int32_t number, uint8_t decimals)
{
    if (number < 0)
        put('-');
    put_number(number < 0 ? 0 - (uint32_t)number : (uint32_t)number, decimals + 1, decimals);
}

static void put_hex(uint8_t nibble) { put_raw(nibble < 10 ? '0' + nibble : 'A' - 10 + nibble); }

static void begin_line(char tag)
{
    keep_time();
    crc = 0;
    put((uint8_t)tag);
}

static void end_line(uint32_t at)
{
    keep_time();                            /* lines take long while edges come fast */
    put(' ');
    put_number(at, 1, 0);
    put(' ');
    uint8_t check = crc;
    put_hex(check >> 4);
    put_hex(check & 15);
    put_raw('\n');
}

static void tell_number(char tag, int32_t number, uint32_t at)
{
    begin_line(tag);
    put_signed(number, 0);
    end_line(at);
}

static void tell_words(const char *words)
{
    begin_line('W');
    put_words(words);
    end_line(micros);
}

/* ---- settings -------------------------------------------------------------------------------------------- */

static uint8_t settings_check(void)
{
    const uint8_t *byte = (const uint8_t *)&settings;
    uint8_t check = 0x5a;
    for (uint8_t place = 0; place < sizeof settings - 1; place++)
        check = _crc8_ccitt_update(check, byte[place]);
    return check;
}

static void use_settings(void)
{
    uint8_t pins = 0, edges = 0, levels = 0;
    for (uint8_t i = 0; i < 2; i++) {
        const struct input *in = &settings.input[i];
        pins |= in->kind != OFF ? _BV(2 * i) : 0;
        edges |= in->rising ? _BV(2 * i) : 0;
        levels |= in->inverted ? _BV(2 * i + 1) : 0;
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        clock_pins = PCMSK1 = pins;
        clock_edges = edges;
        data_levels = levels;
        packet[0].bits = packet[1].bits = seen_bits[0] = seen_bits[1] = 0;
        GPIOR1 = PINC;
    }
}

static void load_settings(void)
{
    eeprom_read_block(&settings, &kept, sizeof settings);
    if (settings.mark != VERSION || settings.check != settings_check()) {
        uint8_t *byte = (uint8_t *)&settings;
        for (uint8_t place = 0; place < sizeof settings; place++)
            byte[place] = 0;
        settings.mark = VERSION;
    }
    use_settings();
}

static void keep_settings(void)
{
    settings.check = settings_check();
    for (uint8_t place = 0; place < sizeof settings; place++) {
        eeprom_update_byte((uint8_t *)&kept + place, ((const uint8_t *)&settings)[place]);
        while (!eeprom_is_ready())
            keep_time();                    /* a byte takes 3.4 ms; the clock may wait 32 */
    }
    use_settings();
}

static void tell_settings(void)
{
    tell_number('V', VERSION, micros);
    begin_line('K');
    put(settings.backward ? 'D' : 'U');
    for (uint8_t i = 0; i < 2; i++) {
        const struct input *in = &settings.input[i];
        put(',');
        put('A' + i);
        put('0' + in->kind);
        put(in->rising ? 'r' : 'f');
        put(in->inverted ? 'i' : 'n');
        put(in->asked ? 'q' : 's');
    }
    end_line(micros);
}

static bool one_of(uint8_t given, uint8_t no, uint8_t yes, uint8_t *into)
{
    *into = given == yes;
    return given == no || given == yes;
}

static bool set_input(struct input *in)
{
    struct input wanted;
    if (heard_length != 5 || heard[1] < '0' || heard[1] > '0' + LAST_KIND)
        return false;
    wanted.kind = heard[1] - '0';
    if (!one_of(heard[2], 'f', 'r', &wanted.rising) || !one_of(heard[3], 'n', 'i', &wanted.inverted) ||
        !one_of(heard[4], 's', 'q', &wanted.asked))
        return false;
    *in = wanted;
    keep_settings();
    return true;
}

static bool set_count(void)
{
    uint8_t place = heard_length > 1 && heard[1] == '-' ? 2 : 1;
    uint32_t number = 0;
    if (heard_length <= place || heard_length > place + 9)
        return false;
    for (uint8_t at = place; at < heard_length; at++) {
        if (heard[at] < '0' || heard[at] > '9')
            return false;
        number = number * 10 + (heard[at] - '0');
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        steps = 0;
        index_seen = 0;
    }
    count = place == 2 ? -(int32_t)number : (int32_t)number;
    return true;
}

static bool do_command(void)
{
    switch (heard[0]) {
    case '?':
        return heard_length == 1;
    case 'A':
    case 'B':
        return set_input(&settings.input[heard[0] - 'A']);
    case 'N':
        return set_count();
    case 'U':
    case 'D':
        if (heard_length != 1)
            return false;
        settings.backward = heard[0] == 'D';
        keep_settings();
        return true;
    }
    return false;
}

static void listen(void)
{
    if (!(UCSR0A & _BV(RXC0)))
        return;
    uint8_t byte = UDR0;
    if (byte != '\n' && byte != '\r') {
        if (heard_length < sizeof heard)
            heard[heard_length++] = byte;
        return;
    }
    if (heard_length == 0)
        return;
    if (!do_command())
        tell_words("command");
    heard_length = 0;
    tell_settings();
}

/* ---- what the main loop tells ---------------------------------------------------------------------------- */

static void tell_crank(void)
{
    static uint16_t illegal_told;
    static int32_t sample_count;
    static uint32_t sample_micros;
    static uint8_t since_sent, since_moved = TURNING_LINES;
    int16_t moved, at_index;
    uint16_t wrong, timer, index_timer;
    uint8_t index, fast;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)       /* all of one moment */
    {
        timer = TCNT1;
        moved = steps;
        steps = 0;
        index = index_seen;
        index_seen = 0;
        at_index = index_steps;
        index_timer = index_time;
        wrong = illegal;
        fast = too_fast;
        too_fast = 0;
    }
    keep_time();
    uint32_t at = micros_at(timer);
    if (settings.backward) {
        moved = -moved;
        at_index = -at_index;
    }
    if (moved && since_moved >= TURNING_LINES && since_sent)
        tell_number('C', sample_count, sample_micros); /* where it still stood, a moment before */
    if (index)
        tell_number('I', count + at_index, micros_at(index_timer));
    count += moved;
    sample_count = count;
    sample_micros = at;
    since_moved = moved ? 0 : since_moved < TURNING_LINES ? since_moved + 1 : since_moved;
    if (wrong != illegal_told) {
        illegal_told = wrong;
        tell_number('E', wrong, at);
    }
    if (fast || since_moved < TURNING_LINES || ++since_sent >= QUIET_LINES) {
        tell_number(fast ? 'X' : 'C', count, at);
        since_sent = 0;
    }
}

static uint32_t bits_of(const struct packet *p, uint8_t first, uint8_t length)
{
    uint32_t value = 0;
    for (uint8_t place = 0; place < length; place++) {
        uint8_t bit = first + place;
        if (p->data[bit >> 3] >> (bit & 7) & 1)
            value |= (uint32_t)1 << place;
    }
    return value;
}

static void tell_gauge(uint8_t i, int32_t value, uint8_t decimals, bool inch, uint32_t at)
{
    begin_line('A' + i);
    put(inch ? 'i' : 'm');
    put_signed(value, decimals);
    end_line(at);
}

static void tell_problem(uint8_t i, const char *what)
{
    begin_line('W');
    put('A' + i);
    put(',');
    put_words(what);
    end_line(micros);
}

/* 20 bits of value in 0.01 mm or 0.0005 in, bit 20 the sign, bit 23 inch */
static void tell_one_group(uint8_t i, uint32_t at)
{
    uint32_t word = bits_of(&packet[i], 0, 24);
    int32_t value = word & 0xfffff;
    bool inch = word >> 23;
    if (word & 0x600000) {
        tell_problem(i, "bits");            /* of bits that mean nothing, two are up: not this kind */
        return;
    }
    if (inch)
        value *= 5;
    tell_gauge(i, word >> 20 & 1 ? -value : value, inch ? 4 : 2, inch, at);
}

/* the second of two groups of 24 bits, two's complement, 20,480 an inch: 3175/256 of a tenth of a micrometre */
static void tell_two_groups(uint8_t i, uint32_t at)
{
    int32_t value = (int32_t)(bits_of(&packet[i], 24, 24) << 8) >> 8;
    if (value > 600000 || value < -600000) {
        tell_problem(i, "range");
        return;
    }
    tell_gauge(i, (value * 3175 + 128) >> 8, 4, false, at);
}

/* 13 digits: F F F F, sign 0 or 8, six digits, digits after the point, unit */
static void tell_bcd(uint8_t i, uint32_t at)
{
    int32_t value = 0;
    uint8_t sign = bits_of(&packet[i], 16, 4), decimals = bits_of(&packet[i], 44, 4);
    uint8_t unit = bits_of(&packet[i], 48, 4);
    bool good = bits_of(&packet[i], 0, 16) == 0xffff && (sign == 0 || sign == 8) && decimals <= 5 && unit <= 1;
    for (uint8_t digit = 5; digit < 11; digit++) {
        uint8_t one = bits_of(&packet[i], digit * 4, 4);
        good = good && one < 10;
        value = value * 10 + one;
    }
    if (good)
        tell_gauge(i, sign ? -value : value, decimals, unit, at);
    else
        tell_problem(i, "bits");
}

static void tell_packet(uint8_t i, uint8_t bits, uint32_t at)
{
    static const uint8_t wanted[] = {0, 24, 48, 52};
    uint8_t kind = settings.input[i].kind;
    if (bits != wanted[kind]) {
        begin_line('W');
        put('A' + i);
        put_words(",length,");
        put_number(bits, 1, 0);
        end_line(at);
        return;
    }
    if (kind == ONE_GROUP)
        tell_one_group(i, at);
    else if (kind == TWO_GROUPS)
        tell_two_groups(i, at);
    else
        tell_bcd(i, at);
}

static uint32_t began[2];
static uint16_t silent_lines[2];
static uint16_t asked_time[2];

static void look_at_gauge(uint8_t i)
{
    struct packet *p = &packet[i];
    uint16_t last;
    uint8_t bits;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        last = p->last;
        bits = p->bits;
    }
    if (bits == 0)
        return;
    keep_time();
    if (seen_bits[i] == 0) {                /* soon after the first clock: its timer has not wrapped yet */
        began[i] = micros_at(PORTC & _BV(PC4 + i) ? asked_time[i] : p->first);
        PORTC &= (uint8_t)~_BV(PC4 + i);
        silent_lines[i] = 0;
    }
    seen_bits[i] = bits;
    if ((uint16_t)(timer_now() - last) < PACKET_END)
        return;
    /* whole bytes are right-aligned already; a last part of a byte is moved down */
    if (bits & 7)
        p->data[bits >> 3] >>= 8 - (bits & 7);
    tell_packet(i, bits, began[i]);
    seen_bits[i] = 0;
    p->bits = 0;
}

static void mind_gauge(uint8_t i)
{
    if (settings.input[i].kind == OFF)
        return;
    if (++silent_lines[i] >= MUTE_LINES) {
        silent_lines[i] = 0;
        tell_problem(i, "mute");
    }
    if (settings.input[i].asked && silent_lines[i] % ASK_EVERY_LINES == 0) {
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            asked_time[i] = TCNT1;
            PORTC |= _BV(PC4 + i);
        }
    }
}

int main(void)
{
    PORTB = _BV(PB0) | _BV(PB1) | _BV(PB2); /* pull-ups, for encoders with open collectors */
    DDRC = _BV(PC4) | _BV(PC5);
    TCCR1B = _BV(CS11);
    UCSR0A = _BV(U2X0);
    UBRR0 = BAUD_DIVISOR;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    load_settings();
    PCMSK0 = _BV(PCINT0) | _BV(PCINT1) | _BV(PCINT2);
    GPIOR0 = (uint8_t)((PINB & 7) << 2);
    PCIFR = _BV(PCIF0) | _BV(PCIF1);
    PCICR = _BV(PCIE0) | _BV(PCIE1);
    sei();
    tell_settings();
    uint16_t line_time = timer_now();
    for (;;) {
        keep_time();
        listen();
        look_at_gauge(0);
        look_at_gauge(1);
        if ((uint16_t)(timer_now() - line_time) >= LINE_EVERY) {
            line_time += LINE_EVERY;
            tell_crank();
            mind_gauge(0);
            mind_gauge(1);
        }
    }
}
