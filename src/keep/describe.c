/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include <reelwright/film.h>
#include <reelwright/package.h>
#include <reelwright/version.h>

#include "keep/bag.h"
#include "keep/describe.h"

/* ---- text in XML ---- */

/* Escaped; what XML 1.0 does not allow at all (section 2.2) becomes a question mark. */
static char *xml_text(const char *text)
{
    g_autofree char *valid = g_utf8_make_valid(text, -1);
    for (char *p = valid; *p; p++)
        if ((unsigned char)*p < 0x20 && *p != '\t' && *p != '\n' && *p != '\r')
            *p = '?';
    return g_markup_escape_text(valid, -1);
}

static void add_element(GString *xml, const char *indent, const char *name, const char *text)
{
    g_autofree char *escaped = xml_text(text);
    g_string_append_printf(xml, "%s<%s>%s</%s>\n", indent, name, escaped, name);
}

/* ---- the reel in a line ---- */

typedef struct reel_words {
    char *title, *film;
} reel_words;

static void clear_words(reel_words *w)
{
    g_free(w->title);
    g_free(w->film);
}

static bool read_words(rw_reel *reel, reel_words *w, GError **error)
{
    g_autoptr(GError) inner = NULL;
    rw_rational fps;
    const rw_gauge *gauge = rw_reel_gauge(reel, error);
    int64_t count = gauge ? rw_reel_frame_count(reel, error) : -1;
    int64_t pictures = count < 0 ? -1 : rw_reel_film_before(reel, count, error);
    if (pictures < 0 || !rw_reel_fps(reel, &fps, error))
        return false;
    w->title = rw_reel_get_meta(reel, "title", &inner);
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        return false;
    }
    double metres = (double)pictures * gauge->pitch * 1e-3;
    double seconds = (double)pictures * (double)fps.den / (double)fps.num;
    w->film = g_strdup_printf("%s film, %" G_GINT64_FORMAT " pictures, %.1f m, %d:%02d at %.4g "
                              "pictures a second",
                              gauge->title, pictures, metres, (int)seconds / 60, (int)seconds % 60,
                              (double)fps.num / (double)fps.den);
    return true;
}

/* ---- for people ---- */

char *rw_describe_plainly(rw_reel *reel, int64_t originals, GError **error)
{
    reel_words w = {0};
    if (!read_words(reel, &w, error)) {
        clear_words(&w);
        return NULL;
    }
    char *text = g_strdup_printf(
        "%s%s%s\n"
        "\n"
        "This folder is the payload of a preservation package (BagIt 1.0, RFC 8493).\n"
        "The lists of checksums beside it prove every file in it.\n"
        "\n"
        "stills/          %" G_GINT64_FORMAT " files as the camera wrote them, byte for byte\n"
        "stills.sha256    their checksums, as they were written down when the card was taken in\n"
        "reel.db          what is known of the reel and was chosen: an SQLite 3 database\n"
        "looks/           lookup tables that choices name, if any\n"
        "documents/       the report, and the survey and its findings as JSON, if it was surveyed\n"
        "out/             movies and what else was made of the stills, if anything\n"
        "metadata/        a description (Dublin Core) and the history of every file (PREMIS 3)\n"
        "\n"
        "The stills are the capture: everything else can be made of them again. Without any\n"
        "program of the kind that made this package they remain ordinary pictures, in order of\n"
        "their names; reel.db tells the order on the film where that is another (table frame).\n"
        "\n"
        "Work on a copy of this folder: a program that opens reel.db may write to it, and the\n"
        "package would not prove itself any more. Keep two copies or more in different places,\n"
        "look at their checksums once a year, and keep the film.\n",
        w.title && w.title[0] ? w.title : "", w.title && w.title[0] ? "\n" : "", w.film, originals);
    clear_words(&w);
    return text;
}

/* ---- Dublin Core ---- */

const char *const *rw_dublin_core_elements(void)
{
    static const char *const elements[] = {"contributor", "coverage", "creator",    "date",
                                           "description", "format",   "identifier", "language",
                                           "publisher",   "relation", "rights",     "source",
                                           "subject",     "title",    "type",       NULL};
    return elements;
}

/* The element that a word is about, and what is said; NULL when it is none. */
static const char *split_word(const char *word, const char **text)
{
    const char *sign = strchr(word, '=');
    *text = NULL;
    for (const char *const *e = rw_dublin_core_elements(); sign && *e; e++)
        if ((size_t)(sign - word) == strlen(*e) && g_str_has_prefix(word, *e)) {
            *text = sign + 1;
            return *e;
        }
    return NULL;
}

bool rw_describe_check_words(const char *const *words, GError **error)
{
    const char *text;
    for (; words && *words; words++)
        if (!split_word(*words, &text)) {
            g_autofree char *all = g_strjoinv(", ", (char **)rw_dublin_core_elements());
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                        "\"%s\" describes nothing: write ELEMENT=TEXT with one of %s.", *words,
                        all);
            return false;
        }
    return true;
}

static void add_dc(GString *xml, const char *element, const char *const *words,
                   const char *otherwise)
{
    g_autofree char *name = g_strconcat("dc:", element, NULL);
    const char *text;
    bool said = false;
    for (; words && *words; words++)
        if (g_strcmp0(split_word(*words, &text), element) == 0) {
            add_element(xml, "  ", name, text);
            said = true;
        }
    if (!said && otherwise && otherwise[0])
        add_element(xml, "  ", name, otherwise);
}

char *rw_describe_dublin_core(rw_reel *reel, const char *const *words, GError **error)
{
    reel_words w = {0};
    if (!read_words(reel, &w, error)) {
        clear_words(&w);
        return NULL;
    }
    GString *xml = g_string_new("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"
                                "<metadata xmlns:dc=\"http://purl.org/dc/elements/1.1/\">\n");
    for (const char *const *e = rw_dublin_core_elements(); *e; e++) {
        /* MovingImage: DCMI Type Vocabulary */
        const char *otherwise = g_str_equal(*e, "title")    ? w.title
                                : g_str_equal(*e, "format") ? w.film
                                : g_str_equal(*e, "type")   ? "MovingImage"
                                                            : NULL;
        add_dc(xml, *e, words, otherwise);
    }
    g_string_append(xml, "</metadata>\n");
    clear_words(&w);
    return g_string_free(xml, FALSE);
}

/* ---- PREMIS 3 ---- */

/* A media type (IANA's registry; the first of SQLite's and Matroska's own pages). */
static const char *media_type(const char *path)
{
    static const struct {
        const char *ending, *type;
    } rows[] = {{".jpg", "image/jpeg"},         {".jpeg", "image/jpeg"},
                {".png", "image/png"},          {".tif", "image/tiff"},
                {".tiff", "image/tiff"},        {".html", "text/html"},
                {".pdf", "application/pdf"},    {".json", "application/json"},
                {".xml", "application/xml"},    {".txt", "text/plain"},
                {".sha256", "text/plain"},      {".framemd5", "text/plain"},
                {".mp4", "video/mp4"},          {".mov", "video/quicktime"},
                {".mkv", "video/matroska"},     {".db", "application/vnd.sqlite3"},
                {".wav", "audio/vnd.wave"},     {".flac", "audio/flac"},
                {".jsonl", "application/jsonl"}};
    g_autofree char *lower = g_ascii_strdown(path, -1);
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++)
        if (g_str_has_suffix(lower, rows[i].ending))
            return rows[i].type;
    return "application/octet-stream";
}

static void add_fixity(GString *xml, const char *algorithm, const char *digest)
{
    g_string_append(xml, "      <fixity>\n");
    add_element(xml, "        ", "messageDigestAlgorithm", algorithm);
    add_element(xml, "        ", "messageDigest", digest);
    g_string_append(xml, "      </fixity>\n");
}

static void add_object(GString *xml, const rw_bag_file *f, const char *source)
{
    g_string_append(xml, "  <object xsi:type=\"file\">\n    <objectIdentifier>\n");
    add_element(xml, "      ", "objectIdentifierType", "path in the package");
    add_element(xml, "      ", "objectIdentifierValue", f->path);
    g_string_append(xml, "    </objectIdentifier>\n    <objectCharacteristics>\n");
    add_fixity(xml, "SHA-256", f->sha256);
    add_fixity(xml, "SHA-512", f->sha512);
    g_string_append_printf(xml, "      <size>%" G_GINT64_FORMAT "</size>\n", f->bytes);
    g_string_append(xml, "      <format>\n        <formatDesignation>\n");
    add_element(xml, "          ", "formatName", media_type(f->path));
    g_string_append(xml, "        </formatDesignation>\n      </format>\n"
                         "    </objectCharacteristics>\n");
    if (source)
        add_element(xml, "    ", "originalName", source);
    g_string_append(xml, "  </object>\n");
}

/* Library of Congress, Preservation Events vocabulary; other words of the journal stay as they
 * are. */
static const char *event_type(const char *event)
{
    static const struct {
        const char *event, *type;
    } rows[] = {{"created", "creation"},
                {"intake", "ingestion"},
                {"surveyed", "metadata extraction"},
                {"finish", "creation"},
                {"packaged", "information package creation"}};
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++)
        if (g_str_equal(event, rows[i].event))
            return rows[i].type;
    return event;
}

typedef struct event {
    const char *id, *type, *at, *detail, *outcome, *agent;
} event;

static void add_event(GString *xml, const event *e)
{
    g_string_append(xml, "  <event>\n    <eventIdentifier>\n");
    add_element(xml, "      ", "eventIdentifierType", "journal of the reel");
    add_element(xml, "      ", "eventIdentifierValue", e->id);
    g_string_append(xml, "    </eventIdentifier>\n");
    add_element(xml, "    ", "eventType", e->type);
    add_element(xml, "    ", "eventDateTime", e->at);
    if (e->detail) {
        g_string_append(xml, "    <eventDetailInformation>\n");
        add_element(xml, "      ", "eventDetail", e->detail);
        g_string_append(xml, "    </eventDetailInformation>\n");
    }
    if (e->outcome) {
        g_string_append(xml, "    <eventOutcomeInformation>\n");
        add_element(xml, "      ", "eventOutcome", e->outcome);
        g_string_append(xml, "    </eventOutcomeInformation>\n");
    }
    g_string_append(xml, "    <linkingAgentIdentifier>\n");
    add_element(xml, "      ", "linkingAgentIdentifierType", "program");
    add_element(xml, "      ", "linkingAgentIdentifierValue", e->agent);
    g_string_append(xml, "    </linkingAgentIdentifier>\n  </event>\n");
}

static void add_agent(GString *xml, const char *program)
{
    g_string_append(xml, "  <agent>\n    <agentIdentifier>\n");
    add_element(xml, "      ", "agentIdentifierType", "program");
    add_element(xml, "      ", "agentIdentifierValue", program);
    g_string_append(xml, "    </agentIdentifier>\n");
    add_element(xml, "    ", "agentName", program);
    g_string_append(xml, "    <agentType>software</agentType>\n  </agent>\n");
}

static void add_journal(GString *xml, const GArray *rows)
{
    for (guint i = 0; i < rows->len; i++) {
        const rw_journal_row *row = &g_array_index(rows, rw_journal_row, i);
        g_autofree char *id = g_strdup_printf("%" G_GINT64_FORMAT, row->id);
        g_autofree char *own = g_strdup_printf("%s%s%s", row->event, row->detail ? ": " : "",
                                               row->detail ? row->detail : "");
        add_event(xml, &(event){id, event_type(row->event), row->at, own, NULL, row->program});
    }
}

/* What was just done: every original read and compared, and put together. */
static void add_own_events(GString *xml, const char *at, const char *agent)
{
    add_event(xml,
              &(event){"package-1", "fixity check", at,
                       "each original read whole and its SHA-256 compared with the one written "
                       "down when it was taken in; copied, read back and compared again",
                       "pass", agent});
    add_event(xml, &(event){"package-2", "information package creation", at, "BagIt 1.0, RFC 8493",
                            NULL, agent});
}

static void add_agents(GString *xml, const GArray *rows, const char *own)
{
    g_autoptr(GHashTable) seen = g_hash_table_new(g_str_hash, g_str_equal);
    add_agent(xml, own);
    g_hash_table_add(seen, (gpointer)own);
    for (guint i = 0; i < rows->len; i++) {
        char *program = g_array_index(rows, rw_journal_row, i).program;
        if (g_hash_table_add(seen, program))
            add_agent(xml, program);
    }
}

char *rw_describe_premis(rw_reel *reel, const GPtrArray *files, const char *at, GError **error)
{
    g_autoptr(GArray) journal = rw_reel_journal(reel, error);
    if (!journal)
        return NULL;
    g_autofree char *own = g_strdup_printf("reelwright %s", rw_version());
    GString *xml =
        g_string_new("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"
                     "<premis xmlns=\"http://www.loc.gov/premis/v3\" "
                     "xmlns:xsi=\"http://www.w3.org/2001/XMLSchema-instance\" version=\"3.0\">\n");
    for (guint i = 0; i < files->len; i++) {
        const rw_bag_file *f = g_ptr_array_index(files, i);
        rw_still_row row;
        bool is_still = g_str_has_prefix(f->path, "data/") &&
                        rw_reel_find_still(reel, f->path + strlen("data/"), &row, NULL);
        add_object(xml, f, is_still ? row.source : NULL);
        if (is_still)
            rw_still_row_clear(&row);
    }
    add_journal(xml, journal);
    add_own_events(xml, at, own);
    add_agents(xml, journal, own);
    g_string_append(xml, "</premis>\n");
    return g_string_free(xml, FALSE);
}
