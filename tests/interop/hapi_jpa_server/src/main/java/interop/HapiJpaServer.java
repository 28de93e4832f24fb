package interop;

import ca.uhn.fhir.batch2.jobs.config.Batch2JobsConfig;
import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.jpa.api.IDaoRegistry;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.config.ThreadPoolFactoryConfig;
import ca.uhn.fhir.jpa.api.dao.DaoRegistry;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.batch2.JpaBatch2Config;
import ca.uhn.fhir.jpa.config.r4.JpaR4Config;
import ca.uhn.fhir.jpa.config.util.HapiEntityManagerFactoryUtil;
import ca.uhn.fhir.jpa.config.util.ResourceCountCacheUtil;
import ca.uhn.fhir.jpa.model.config.PartitionSettings;
import ca.uhn.fhir.jpa.model.config.SubscriptionSettings;
import ca.uhn.fhir.jpa.model.dialect.HapiFhirH2Dialect;
import ca.uhn.fhir.jpa.provider.DaoRegistryResourceSupportedSvc;
import ca.uhn.fhir.jpa.provider.IJpaSystemProvider;
import ca.uhn.fhir.jpa.provider.JpaCapabilityStatementProvider;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.jpa.subscription.channel.config.SubscriptionChannelConfig;
import ca.uhn.fhir.jpa.util.ResourceCountCache;
import ca.uhn.fhir.rest.api.IResourceSupportedSvc;
import ca.uhn.fhir.rest.server.HardcodedServerAddressStrategy;
import ca.uhn.fhir.rest.server.RestfulServer;
import ca.uhn.fhir.rest.server.provider.ResourceProviderFactory;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import jakarta.persistence.EntityManagerFactory;
import java.util.Map;
import java.util.Properties;
import javax.sql.DataSource;
import org.springframework.beans.factory.config.ConfigurableListableBeanFactory;
import org.springframework.boot.SpringApplication;
import org.springframework.boot.SpringBootConfiguration;
import org.springframework.boot.autoconfigure.ImportAutoConfiguration;
import org.springframework.boot.autoconfigure.jdbc.DataSourceAutoConfiguration;
import org.springframework.boot.autoconfigure.web.servlet.ServletWebServerFactoryAutoConfiguration;
import org.springframework.boot.web.servlet.ServletRegistrationBean;
import org.springframework.context.annotation.Bean;
import org.springframework.context.annotation.Import;
import org.springframework.core.env.Environment;
import org.springframework.orm.jpa.JpaTransactionManager;
import org.springframework.orm.jpa.LocalContainerEntityManagerFactoryBean;

/**
 * HAPI's JPA server for FHIR R4 over an H2 database, at /fhir on the loopback address: arguments PORT and DATABASE.
 *
 * <p>Everything it does is HAPI's with HAPI's own settings; what is here only puts the parts together. Search by
 * text, subscriptions to outside channels and terminology uploads are left out.
 */
@SpringBootConfiguration
@ImportAutoConfiguration({DataSourceAutoConfiguration.class, ServletWebServerFactoryAutoConfiguration.class})
@Import({
  JpaR4Config.class,
  ThreadPoolFactoryConfig.class,
  JpaBatch2Config.class,
  Batch2JobsConfig.class,
  // The jobs pass their messages through these channels, which stay within this process.
  SubscriptionChannelConfig.class
})
public class HapiJpaServer {

  public static void main(String[] arguments) {
    SpringApplication application = new SpringApplication(HapiJpaServer.class);
    // HAPI's own parts need one another in a circle.
    application.setAllowCircularReferences(true);
    application.setDefaultProperties(
        Map.of(
            "server.address", "127.0.0.1",
            "server.port", arguments[0],
            // A transaction that was answered is on the disk: H2 would otherwise delay it by half a second.
            "spring.datasource.url",
                "jdbc:h2:file:" + arguments[1] + ";WRITE_DELAY=0;DB_CLOSE_ON_EXIT=FALSE;TRACE_LEVEL_FILE=0",
            "spring.main.banner-mode", "off",
            "logging.level.root", "warn"));
    application.run();
  }

  @Bean
  JpaStorageSettings storageSettings() {
    return new JpaStorageSettings();
  }

  @Bean
  PartitionSettings partitionSettings() {
    return new PartitionSettings();
  }

  @Bean
  SubscriptionSettings subscriptionSettings() {
    return new SubscriptionSettings();
  }

  @Bean
  IResourceSupportedSvc resourceSupportedSvc(IDaoRegistry registry) {
    return new DaoRegistryResourceSupportedSvc(registry);
  }

  @Bean
  DatabaseBackedPagingProvider pagingProvider() {
    return new DatabaseBackedPagingProvider();
  }

  /** HAPI looks it up by this name when it says what it can do. */
  @Bean("myResourceCountsCache")
  ResourceCountCache resourceCounts(IFhirSystemDao<?, ?> systemDao) {
    return ResourceCountCacheUtil.newResourceCountCache(systemDao);
  }

  @Bean
  LocalContainerEntityManagerFactoryBean entityManagerFactory(
      DataSource database,
      ConfigurableListableBeanFactory beans,
      FhirContext context,
      JpaStorageSettings settings) {
    Properties hibernate = new Properties();
    hibernate.put("hibernate.dialect", HapiFhirH2Dialect.class.getName());
    hibernate.put("hibernate.hbm2ddl.auto", "update");
    hibernate.put("hibernate.jdbc.batch_size", "20");
    hibernate.put("hibernate.search.enabled", "false");
    LocalContainerEntityManagerFactoryBean factory =
        HapiEntityManagerFactoryUtil.newEntityManagerFactory(beans, context, settings);
    factory.setPersistenceUnitName("HAPI_PU");
    factory.setDataSource(database);
    factory.setJpaProperties(hibernate);
    return factory;
  }

  @Bean
  JpaTransactionManager transactionManager(EntityManagerFactory factory) {
    return new JpaTransactionManager(factory);
  }

  @Bean
  RestfulServer fhirServer(
      FhirContext context,
      IFhirSystemDao<?, ?> systemDao,
      IJpaSystemProvider systemProvider,
      ResourceProviderFactory resourceProviders,
      DaoRegistry registry,
      JpaStorageSettings settings,
      ISearchParamRegistry searchParameters,
      IValidationSupport validation,
      DatabaseBackedPagingProvider paging,
      Environment environment) {
    RestfulServer server = new RestfulServer(context);
    registry.setSupportedResourceTypes(context.getResourceTypes());
    server.registerProviders(resourceProviders.createProviders());
    server.registerProvider(systemProvider);
    server.setServerConformanceProvider(
        new JpaCapabilityStatementProvider(server, systemDao, settings, searchParameters, validation));
    server.setPagingProvider(paging);
    String port = environment.getRequiredProperty("server.port");
    server.setServerAddressStrategy(new HardcodedServerAddressStrategy("http://127.0.0.1:" + port + "/fhir"));
    return server;
  }

  @Bean
  ServletRegistrationBean<RestfulServer> fhirServlet(RestfulServer server) {
    ServletRegistrationBean<RestfulServer> servlet = new ServletRegistrationBean<>(server, "/fhir/*");
    servlet.setLoadOnStartup(1);
    return servlet;
  }
}
