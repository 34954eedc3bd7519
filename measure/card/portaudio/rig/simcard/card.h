/*
 * card.h: what a sound card that is not there makes of the sound played on it.
 *
 * What a program plays on the first output goes through a chain of digital
 * filters for each input, and comes back there. Arithmetic is in double,
 * rounded once to float, so that another program can compute every sample of
 * the answer.
 *
 * A settings file says what the card is, a line each:
 *
 *   chain CHAIN   of the next input: "b0,b1,b2,a1,a2;..." second-order sections
 *                 with a0 = 1; nothing for a plain wire
 *   play FILE     once sound is heard, answer with this recording instead: raw
 *                 floats of this machine, interleaved, one for each chain
 *   drop N        answer silence to the first block that starts N or more frames
 *                 after the first sound
 *   stall N:MS    as drop, but sleep MS milliseconds in that block
 *
 * Whoever puts another file in its place puts another circuit on the card, from
 * the next block on. It must have as many chains.
 */
#include <errno.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

enum { MAX_CHAINS = 8, MAX_SECTIONS = 16 };

struct section {
	double b0, b1, b2, a1, a2;
	double s1, s2; /* state, direct form II transposed */
};

struct chain {
	struct section section[MAX_SECTIONS];
	int sections;
};

static struct card {
	struct chain chain[MAX_CHAINS];
	int chains;

	float *recording;
	size_t recorded; /* frames */

	long drop_at, stall_at; /* frames after the first sound; -1 for never */
	long stall_ms;
	long heard; /* frames since the first sound; -1 before it */
} card;

static const char *settings; /* path */
static struct stat settings_read;

static void die(const char *format, ...)
{
	va_list args;

	va_start(args, format);
	fputs("simcard: ", stderr);
	vfprintf(stderr, format, args);
	fputc('\n', stderr);
	va_end(args);
	exit(1);
}

static void sleep_ms(long ms)
{
	struct timespec left = { ms / 1000, ms % 1000 * 1000000L };

	while (nanosleep(&left, &left) == -1 && errno == EINTR)
		;
}

static float filter(struct chain *c, float in)
{
	double x = in;

	for (struct section *s = c->section; s < c->section + c->sections; s++) {
		double y = s->b0 * x + s->s1;

		s->s1 = s->b1 * x - s->a1 * y + s->s2;
		s->s2 = s->b2 * x - s->a2 * y;
		x = y;
	}
	return (float)x;
}

static void parse_chain(const char *text)
{
	struct chain *c = &card.chain[card.chains];

	if (card.chains == MAX_CHAINS)
		die("more than %d chains", MAX_CHAINS);
	card.chains++;
	while (*text) {
		struct section s = { 0 };
		int used = 0;

		if (c->sections == MAX_SECTIONS)
			die("chain %d has more than %d sections", card.chains, MAX_SECTIONS);
		if (sscanf(text, "%lf,%lf,%lf,%lf,%lf%n", &s.b0, &s.b1, &s.b2, &s.a1, &s.a2, &used) != 5)
			die("chain %d: \"%s\" does not start with b0,b1,b2,a1,a2", card.chains, text);
		text += used;
		if (*text == ';')
			text++;
		else if (*text)
			die("chain %d: \"%s\" should start with ;", card.chains, text);
		c->section[c->sections++] = s;
	}
}

static void read_recording(const char *path)
{
	size_t frame = sizeof(float) * (size_t)card.chains, bytes;
	FILE *f = fopen(path, "rb");
	long size;

	if (!f || fseek(f, 0, SEEK_END) || (size = ftell(f)) < 0)
		die("%s: %s", path, strerror(errno));
	rewind(f);
	bytes = (size_t)size;
	if (bytes == 0 || bytes % frame)
		die("%s: %zu bytes are not whole frames of %d floats", path, bytes, card.chains);
	card.recorded = bytes / frame;
	card.recording = malloc(bytes);
	if (!card.recording || fread(card.recording, frame, card.recorded, f) != card.recorded)
		die("%s: cannot be read whole", path);
	fclose(f);
}

static long parse_long(const char *text, char **end)
{
	long n = strtol(text, end, 10);

	if (*end == text || n < 0)
		die("\"%s\" is not a number of 0 or more", text);
	return n;
}

static void parse_stall(const char *text)
{
	char *end;

	card.stall_at = parse_long(text, &end);
	if (*end != ':')
		die("stall %s: N:MS is wanted", text);
	card.stall_ms = parse_long(end + 1, &end);
}

/* read_settings makes the card what its settings say. */
static void read_settings(void)
{
	int chains = card.chains;
	char *line = NULL, *value, *end;
	size_t room = 0;
	ssize_t length;
	FILE *f = fopen(settings, "r");

	if (!f || fstat(fileno(f), &settings_read))
		die("%s: %s", settings, strerror(errno));
	free(card.recording);
	card = (struct card){ .drop_at = -1, .stall_at = -1, .heard = -1 };
	while ((length = getline(&line, &room, f)) > 0) {
		if (line[length - 1] == '\n')
			line[length - 1] = '\0';
		value = strchr(line, ' ');
		if (!value)
			die("%s: \"%s\" has no value", settings, line);
		*value++ = '\0';
		if (!strcmp(line, "chain"))
			parse_chain(value);
		else if (!strcmp(line, "play"))
			read_recording(value);
		else if (!strcmp(line, "drop"))
			card.drop_at = parse_long(value, &end);
		else if (!strcmp(line, "stall"))
			parse_stall(value);
		else
			die("%s: \"%s\" is no setting", settings, line);
	}
	free(line);
	fclose(f);
	if (card.chains == 0 || (chains != 0 && card.chains != chains))
		die("%s: %d chains, %d before", settings, card.chains, chains);
}

/* answer computes one block of every input from one of the output. It reads a
 * file when the circuit changes, which no real-time thread should: then nobody
 * measures. */
static void answer(const float *in, float *const out[], size_t frames)
{
	bool silent = false;
	struct stat now;

	if (stat(settings, &now))
		die("%s: %s", settings, strerror(errno));
	if (now.st_ino != settings_read.st_ino)
		read_settings();

	if (card.stall_at >= 0 && card.heard >= card.stall_at) {
		card.stall_at = -1;
		sleep_ms(card.stall_ms);
	}
	if (card.drop_at >= 0 && card.heard >= card.drop_at) {
		card.drop_at = -1;
		silent = true;
	}
	for (size_t i = 0; i < frames; i++) {
		/* The answer may take the memory of the question. */
		float x = in[i];

		if (card.heard >= 0)
			card.heard++;
		else if (x != 0)
			card.heard = 0;
		for (int c = 0; c < card.chains; c++) {
			float y = filter(&card.chain[c], x);

			if (card.recording) {
				bool playing = card.heard >= 0 && (size_t)card.heard < card.recorded;

				y = playing ? card.recording[card.heard * card.chains + c] : 0;
			}
			out[c][i] = silent ? 0 : y;
		}
	}
}
