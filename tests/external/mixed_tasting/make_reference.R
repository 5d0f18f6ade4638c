# Reference fits for test_tasting.py. Reads data/*.csv, writes reference.json.
suppressMessages({library(lme4); library(lmerTest); library(jsonlite)})
read <- function(name, factors) {
  frame <- read.csv(file.path("data", paste0(name, ".csv")))
  for (column in factors) frame[[column]] <- factor(frame[[column]])
  frame
}
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9, maxfun = 1e6), calc.derivs = FALSE)
television <- read("television", c("Assessor", "TVset", "Picture"))
carrots <- read("carrots", c("Consumer", "Product"))
ham <- read("ham", c("Consumer", "Product", "Information", "Gender"))
tests <- function(fit, ddf) {
  table <- anova(fit, ddf = ddf)
  list(names = rownames(table), F = table[["F value"]], numerator = table$NumDF, denominator = table$DenDF,
       p = table[["Pr(>F)"]])
}
tv <- lmer(Sharpnessofmovement ~ TVset * Picture + (1 | Assessor) + (1 | Assessor:TVset) + (1 | Assessor:Picture),
           television, control = tight)
eaten <- lmer(Preference ~ sens1 + sens2 + (1 | Consumer) + (0 + sens1 + sens2 | Consumer) + (1 | Product), carrots,
              control = tight)
liked <- lmer(Informed.liking ~ Product * Information * Gender + (1 | Product:Consumer) + (1 | Consumer), ham,
              control = tight)
means <- ls_means(liked, which = "Product")
result <- list(
  television = list(log_likelihood = as.numeric(logLik(tv)) , satterthwaite = tests(tv, "Satterthwaite"),
                    kenward_roger = tests(tv, "Kenward-Roger")),
  carrots = list(beta = unname(fixef(eaten)), standard_errors = coef(summary(eaten))[, "Std. Error"],
                 degrees = coef(summary(eaten))[, "df"], log_likelihood = as.numeric(logLik(eaten))),
  ham = list(means = means$Estimate, standard_errors = means[["Std. Error"]], degrees = means$df,
             lower = means$lower, upper = means$upper)
)
write(toJSON(result, digits = NA, auto_unbox = TRUE), "reference.json")
