# Writes data/*.csv from the R package that carries the published tables. Run once; the files are committed.
suppressMessages(library(lmerTest))
save <- function(frame, name) write.csv(frame, file.path("data", paste0(name, ".csv")), row.names = FALSE, quote = FALSE)
save(TVbo[, c("Assessor", "TVset", "Picture", "Sharpnessofmovement")], "television")
save(format(carrots[, c("Consumer", "Product", "sens1", "sens2", "Preference")], digits = 15, trim = TRUE), "carrots")
save(ham[, c("Consumer", "Product", "Information", "Gender", "Informed.liking")], "ham")
